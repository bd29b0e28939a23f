"""What a process logs is one line, and holds no secret and no phone number."""

from __future__ import annotations

import json
import logging
from types import TracebackType
from typing import TypeAlias

import pytest

from service.logs import JsonLines, PlainLines, without_secrets

Fault: TypeAlias = tuple[type[BaseException], BaseException, TracebackType | None]


def fault() -> Fault:
    """An exception whose text has what must not be shown."""
    words = "no answer from postgresql://linetender:hunter2@db/x for +447700900123"
    return RuntimeError, RuntimeError(words), None


def record(exception: Fault | None = None) -> logging.LogRecord:
    """An event with a fact, as our code logs it."""
    made = logging.makeLogRecord(
        {"name": "workers.keeper", "levelno": 40, "levelname": "ERROR", "msg": "keeper_takes_over"}
    )
    made.reasons = ("late",)
    made.exc_info = exception
    return made


def test_a_json_line_is_one_object_with_the_facts() -> None:
    """Event, level, time and what was given, in one line even with a traceback."""
    line = JsonLines().format(record(fault()))

    told = json.loads(line)
    assert "\n" not in line
    assert (told["event"], told["level"], told["reasons"]) == ("keeper_takes_over", "error", ["late"])
    assert told["at"].endswith("+00:00")


@pytest.mark.parametrize("lines", [JsonLines(), PlainLines()], ids=["json", "plain"])
def test_no_line_has_a_password_or_a_phone_number(lines: logging.Formatter) -> None:
    """Also where a library put them into the text of its exception."""
    line = lines.format(record(fault()))

    assert "hunter2" not in line
    assert "+447700900123" not in line
    assert "+...123" in line


@pytest.mark.parametrize(
    ("text", "instead"),
    [
        ("redis://:hunter2@host:6379/0", "redis://:...@host:6379/0"),
        ("redis://host:6379/0", "redis://host:6379/0"),
        ("GET /alarm/abcdefghijklmnopqrstuv done", "GET /alarm/... done"),
        ("GET /contact/abcdefghijklmnopqrstuv done", "GET /contact/... done"),
        ("GET /join/skerry/abcdefghijklmnopqrstuv done", "GET /join/skerry/... done"),
        ("GET /admin/invitation/abcdefghijklmnopqrstuv done", "GET /admin/invitation/... done"),
        ("GET /admin/board/screen/abcdefghijklmnopqrstuv done", "GET /admin/board/screen/... done"),
        (
            "failed\n[parameters: {'body': 'Anna'}]\n(Background on this error",
            "failed\n[parameters not shown]\n(Background on this error",
        ),
        ("from +447700900011 to +447700900500", "from +...011 to +...500"),
        ("took 1234567 s", "took 1234567 s"),
        ("Key (email)=(cleo.marsh+dive@example.org) exists", "Key (email)=(...@example.org) exists"),
        ("celery@boathouse ready", "celery@boathouse ready"),
    ],
)
def test_what_is_taken_out_and_what_stays(text: str, instead: str) -> None:
    """Secrets go, the rest of the line stays readable."""
    assert without_secrets(text) == instead


@pytest.mark.parametrize("lines", [JsonLines(), PlainLines()], ids=["json", "plain"])
def test_what_a_statement_was_given_stands_in_no_line(lines: logging.Formatter) -> None:
    """An error of the database quotes it: names, words of a text, hashes of links."""
    quoted = "locked\n[SQL: UPDATE people]\n[parameters: ('Anna Holt', 'has a [cough]')]\n(Background on this error"
    made = record((RuntimeError, RuntimeError(quoted), None))
    made.why, made.error = quoted, RuntimeError(quoted)

    line = lines.format(made)

    assert "Anna" not in line
    assert "cough" not in line
    assert line.count("[parameters not shown]") == 3
    assert line.count("Background on this error") == 3
