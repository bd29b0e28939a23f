"""Writing to SQLite: one after the other, each in its turn."""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine, text
from sqlalchemy.exc import OperationalError

from service.store import sqlite
from service.store.engine import is_transient, open_engine, reading, writing


@pytest.fixture
def sqlite_engine(tmp_path: Path) -> Engine:
    """A SQLite file that two can open."""
    return open_engine(f"sqlite:///{tmp_path / 'two.db'}")


def test_a_second_writer_on_sqlite_waits_instead_of_reading_what_is_stale(sqlite_engine: Engine) -> None:
    """A write transaction takes the lock at its beginning, so what it reads is what it changes."""
    impatient = sqlite3.connect(str(sqlite_engine.url.database), timeout=0, isolation_level=None)
    with writing(sqlite_engine) as session:
        session.execute(text("SELECT 1"))
        with pytest.raises(sqlite3.OperationalError, match="locked"):
            impatient.execute("BEGIN IMMEDIATE")
    impatient.close()


@contextmanager
def held(engine: Engine) -> Iterator[sqlite3.Connection]:
    """Somebody writes to this SQLite file."""
    somebody = sqlite3.connect(str(engine.url.database), timeout=0, isolation_level=None, check_same_thread=False)
    somebody.execute("BEGIN IMMEDIATE")
    try:
        yield somebody
    finally:
        somebody.close()


def patience_of(engine: Engine) -> int:
    """For how many milliseconds a statement on its connection waits by itself."""
    with reading(engine) as session:
        return int(session.execute(text("PRAGMA busy_timeout")).scalar_one())


def test_who_waits_to_write_asks_as_often_however_long_it_takes(
    sqlite_engine: Engine, monkeypatch: pytest.MonkeyPatch
) -> None:
    """By itself SQLite asks ever more rarely, so that in a storm whoever has waited for seconds is served last."""
    slept: list[float] = []

    with held(sqlite_engine) as somebody:

        def sleep(seconds: float) -> None:
            slept.append(seconds)
            if len(slept) == 100:
                somebody.execute("ROLLBACK")

        monkeypatch.setattr(time, "sleep", sleep)
        with writing(sqlite_engine) as session:
            session.execute(text("SELECT 1"))

    assert slept == [sqlite.BUSY_ASKED_EVERY_S] * 100
    assert patience_of(sqlite_engine) == sqlite.BUSY_TIMEOUT_MS


def test_who_waits_to_write_gives_up_in_time(sqlite_engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """As busy, so that the whole unit is run again."""
    monkeypatch.setattr(sqlite, "BUSY_TIMEOUT_MS", 50)
    with (
        held(sqlite_engine),
        pytest.raises(OperationalError, match="locked") as raised,
        writing(sqlite_engine) as session,
    ):
        session.execute(text("SELECT 1"))

    assert is_transient(raised.value)
    assert patience_of(sqlite_engine) == 50


def test_what_no_waiting_cures_is_raised_at_once(sqlite_engine: Engine, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file that cannot be written is not asked for ten seconds."""
    with writing(sqlite_engine) as session:
        session.execute(text("CREATE TABLE some (x)"))
    monkeypatch.setattr(time, "sleep", lambda _: pytest.fail("it waited"))
    only_read = open_engine(f"sqlite:///file:{sqlite_engine.url.database}?mode=ro&uri=true")

    with pytest.raises(OperationalError, match="readonly"), writing(only_read) as session:
        session.execute(text("INSERT INTO some VALUES (1)"))
    only_read.dispose()
