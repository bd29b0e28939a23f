"""Where the days of the mutants are played: one thread, a database in memory, and a stage for each day."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from concurrent.futures import Future
from contextlib import closing, contextmanager
from dataclasses import dataclass
from datetime import timedelta
from typing import Any

from sqlalchemy import Engine

from service.store.engine import open_engine
from tests.operations.stage import (
    BEGIN_AT,
    HandMovedClock,
    Stage,
    prepare,
    stage_on,
)

Scenario = Callable[[Stage], Iterator[None]]
SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)


class Inline:
    """In place of the courier's threads: each call is made at once."""

    def submit(self, work: Callable[..., Any], *arguments: Any) -> Future[Any]:
        """Do it now."""
        done: Future[Any] = Future()
        done.set_result(work(*arguments))
        return done

    def shutdown(self, *, wait: bool) -> None:
        """Nothing to end."""


@dataclass(frozen=True)
class Theatre:
    """A prepared database to begin each day from, and one engine for all days."""

    template: sqlite3.Connection
    engine: Engine

    def stage(self) -> Stage:
        """A stage at the beginning of a day."""
        with self.engine.connect() as connection:
            self.template.backup(connection.connection.driver_connection)
        stage = stage_on(self.engine, HandMovedClock())
        stage.courier._pool.shutdown()
        stage.courier._pool = stage.courier._asking._pool = Inline()
        return stage

    def snapshot(self) -> bytes:
        """The database as it stands."""
        with self.engine.connect() as connection:
            return connection.connection.driver_connection.serialize()

    def restore(self, snapshot: bytes) -> sqlite3.Connection:
        """Put the database back to where it stood; gives the connection under the engine."""
        with closing(sqlite3.connect(":memory:")) as copy:
            copy.deserialize(snapshot)
            with self.engine.connect() as connection:
                copy.backup(connection.connection.driver_connection)
                return connection.connection.driver_connection


@contextmanager
def theatre() -> Iterator[Theatre]:
    """Opened once for many days."""
    engine = open_engine("sqlite://")
    prepare(engine, BEGIN_AT)
    with closing(sqlite3.connect(":memory:")) as template:
        with engine.connect() as connection:
            connection.connection.driver_connection.backup(template)
        yield Theatre(template, engine)
    engine.dispose()


def go(stage: Stage, minutes: float, step: timedelta = MINUTE) -> None:
    """Time passes, and everything runs at every step."""
    stage.wait(minutes=minutes, step=step)


def work(stage: Stage, seconds: float = 1) -> None:
    """A moment passes, and everything runs."""
    stage.clock.at += seconds * SECOND
    stage.turn()


def lay(stage: Stage, sender: str, body: str, ago: timedelta) -> None:
    """A text that a gateway had so long ago is brought now."""
    inbound_id = stage.receive(sender, body, received_at=stage.clock.at - ago)
    if inbound_id is not None:
        stage.answer(inbound_id)
    stage.courier.carry()
