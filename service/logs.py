"""The log of a process on its standard error: one line each, and no secrets, phone numbers or e-mail addresses.

The record of what happened to a dive is in the database; this is for whoever keeps the machine.
"""

from __future__ import annotations

import json
import logging
import re
import sys
from datetime import UTC, datetime
from typing import Final

# What logging itself puts on every record; all else was given by us as a fact.
_ITS_OWN: Final = frozenset(vars(logging.makeLogRecord({}))) | {"message", "asctime", "taskName"}

_TALKATIVE: Final = (
    "httpx",
    "httpcore",
    "alembic",
    "celery.worker.strategy",
    "celery.app.trace",
    "celery.beat",
)

# What must not stand in a log, whoever put it there: a library's exception text may quote all of these.
_SECRETS: Final = (
    (re.compile(r"\[parameters: .*?\](?=\n|$)", re.DOTALL), "[parameters not shown]"),
    (re.compile(r"(\w+://[^\s:/@]*):[^\s/@]+@"), r"\1:...@"),
    (re.compile(r"/(dive|alarm|handover|contact|invitation|screen|join/[a-z0-9-]+)/[\w-]{16,}"), r"/\1/..."),
    (re.compile(r"\+\d{4,12}(\d{3})\b"), r"+...\1"),
    (re.compile(r"[\w.%+-]*\w@([\w-]+(?:\.[\w-]+)+)"), r"...@\1"),
)


def set_up_logging(log_format: str) -> None:
    """Send this process's log to standard error, as JSON lines or as plain lines for people."""
    handler = logging.StreamHandler(sys.stderr)
    handler.setFormatter(PlainLines() if log_format == "plain" else JsonLines())
    logging.basicConfig(level=logging.INFO, handlers=[handler], force=True)
    # Each of these says something for every message carried or task run; a minute of it hides the rest.
    for talkative in _TALKATIVE:
        logging.getLogger(talkative).setLevel(logging.WARNING)


def without_secrets(text: str) -> str:
    """The text without passwords, page tokens, statement parameters, most digits of phone numbers, e-mail names."""
    for pattern, instead in _SECRETS:
        text = pattern.sub(instead, text)
    return text


class JsonLines(logging.Formatter):
    """One JSON object in one line for each record."""

    def format(self, record: logging.LogRecord) -> str:
        """The record as JSON, without secrets."""
        line: dict[str, object] = {
            "at": datetime.fromtimestamp(record.created, UTC).isoformat(timespec="milliseconds"),
            "level": record.levelname.lower(),
            "logger": record.name,
            "event": record.getMessage(),
            **_facts(record),
        }
        if record.exc_info:
            line["exception"] = self.formatException(record.exc_info)
        # While lines are lines, too: by them it is seen where the parameters of a statement end.
        line = {name: without_secrets(value) if isinstance(value, str) else value for name, value in line.items()}
        return without_secrets(json.dumps(line, default=_said, ensure_ascii=False))


class PlainLines(logging.Formatter):
    """One line for a person, with the facts behind the event's name."""

    def format(self, record: logging.LogRecord) -> str:
        """The record in words, without secrets."""
        at = datetime.fromtimestamp(record.created, UTC)
        facts = "".join(f" {name}={value}" for name, value in _facts(record).items())
        line = f"{at:%H:%M:%S} {record.levelname.lower():7} {record.getMessage()}{facts}"
        if record.exc_info:
            line += "\n" + self.formatException(record.exc_info)
        return without_secrets(line)


def _said(value: object) -> str:
    return without_secrets(str(value))


def _facts(record: logging.LogRecord) -> dict[str, object]:
    return {name: value for name, value in vars(record).items() if name not in _ITS_OWN}
