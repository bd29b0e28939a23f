"""Texts are answered by a process beside the web; while there is none, by the web itself."""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from pathlib import Path

import pytest

from service.cli.answering_apart import COMMAND, ENDED, NICER_BY, NOT_STARTED, STARTS_APART_S, AnsweringApart
from service.clock import WallClock
from service.operations.answering import LEFT
from service.operations.gateway import InboundText
from service.operations.receiving import receive_text
from service.operations.service import Service
from service.settings import PREFIX
from service.store import inbound
from service.store.engine import open_engine
from service.store.seed import RECEIVING_NUMBER, seed
from service.store.tables import InboundTextRow

WAITS_S = 60.0

# Stands for the process: it says that it is ready, and writes down what it is given.
WRITES_DOWN = "import sys; print('.', end='', flush=True); open(sys.argv[1], 'wb').write(sys.stdin.buffer.read())"
NEVER_READS = "import time; print('.', end='', flush=True); time.sleep(60)"


def until(true: Callable[[], bool]) -> bool:
    """Whether it is so within a minute."""
    give_up_at = time.monotonic() + WAITS_S
    while not true() and time.monotonic() < give_up_at:
        time.sleep(0.02)
    return true()


def test_texts_go_to_the_process_once_it_is_ready(tmp_path: Path) -> None:
    """Those before are answered here; none is lost and none goes to both."""
    here: list[int] = []
    answer = AnsweringApart(here.append, (sys.executable, "-c", WRITES_DOWN, str(tmp_path / "given")))
    given = 0

    def one_more_goes_there() -> bool:
        nonlocal given
        given += 1
        answer(given)
        return len(here) < given

    assert until(one_more_goes_there)
    answer.close()

    there = [int(line) for line in (tmp_path / "given").read_text().split()]
    assert here + there == list(range(1, given + 1))


def test_without_a_process_texts_are_answered_here(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    """The fault is in the log."""
    here: list[int] = []

    answer = AnsweringApart(here.append, (str(tmp_path / "not there"),))
    answer(7)

    assert here == [7]
    assert NOT_STARTED in caplog.messages


def test_a_process_that_died_is_started_again_after_a_while(caplog: pytest.LogCaptureFixture) -> None:
    """Until then its texts are answered here."""
    here: list[int] = []
    now = 0.0
    answer = AnsweringApart(here.append, (sys.executable, "-c", ""), lambda: now)
    first = answer._process
    assert first is not None
    first.wait(WAITS_S)

    answer(1)
    now = STARTS_APART_S
    answer(2)
    assert answer._process is not None
    answer.close()

    assert here == [1, 2]
    assert ENDED in caplog.messages


def test_a_process_that_takes_nothing_keeps_nobody_waiting(caplog: pytest.LogCaptureFixture) -> None:
    """What finds no room is left to a sweep."""
    here: list[int] = []
    answer = AnsweringApart(here.append, (sys.executable, "-c", NEVER_READS))
    process = answer._process
    assert process is not None
    assert until(lambda: answer._is_ready(process))

    for inbound_id in range(100_000_000, 100_007_000):
        answer(inbound_id)
    process.kill()
    answer.close()

    assert here == []
    assert LEFT in caplog.messages


def test_the_process_answers_at_a_lower_priority_and_is_not_stopped_before_the_web(
    environment: dict[str, str], migrated_sqlite_url: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Asked to end, it goes on with what comes in, and ends when the web does."""
    for name, value in (environment | {"DATABASE_URL": migrated_sqlite_url}).items():
        monkeypatch.setenv(PREFIX + name, value)
    service = Service(open_engine(migrated_sqlite_url), WallClock(), "http://127.0.0.1:8000", "web-1")
    service.write(lambda session: seed(session, service.clock.now(), admin_password="not a real password"))
    here: list[int] = []
    answer = AnsweringApart(here.append, COMMAND)
    process = answer._process
    assert process is not None
    assert until(lambda: answer._is_ready(process))

    process.send_signal(signal.SIGTERM)
    text = InboundText("one", "SM1", "+447700900099", RECEIVING_NUMBER, "hello", {}, service.clock.now())
    stored = receive_text(service, text, authentic=True)
    assert stored is not None
    answer(stored)
    ours = os.getpriority(os.PRIO_PROCESS, 0)
    nicer_by = os.getpriority(os.PRIO_PROCESS, process.pid) - ours
    answer.close()

    row = service.read(lambda session: session.get_one(InboundTextRow, stored))
    service.engine.dispose()
    assert row.state != inbound.STORED
    assert here == []
    assert nicer_by == min(NICER_BY, 19 - ours)
    assert process.returncode == 0
