"""A stage in memory that can be put back to where it was, thousands of times, for worlds that are enumerated."""

from __future__ import annotations

import itertools
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy import Engine

from service.domain.people import Channel
from service.operations.gateway import Found, Lookup, NotFound, Outgoing
from service.operations.service import Service
from service.store.engine import open_engine
from tests.operations.stage import BEGIN_AT, HandMovedClock, ScriptedGateway, Stage, Taken, prepare
from tests.simulation.crashes import Crashes, DeadlyGateway, courier_in_line

PUBLIC_URL = "https://dive.example"


@dataclass
class Remembering(ScriptedGateway):
    """A gateway that, where it `remembers`, says truthfully whether it took a message."""

    remembers: bool = False

    def look_up(self, message: Outgoing, since: datetime) -> Lookup:
        """By its journal; else as the script says."""
        if not self.remembers:
            return super().look_up(message, since)
        ids = [one.provider_id for one in self.taken if one.reference == message.reference]
        return Found(ids[-1]) if ids else NotFound()


@dataclass(frozen=True)
class Saved:
    """A world as it was: the database, the clock, and what the gateways had taken."""

    database: sqlite3.Connection
    at: datetime
    taken: tuple[tuple[Taken, ...], tuple[Taken, ...]]
    channels: frozenset[Channel]
    receipts: bool
    texts: int


def save(stage: Stage) -> Saved:
    """Keep a stage in memory as it is."""
    copy = sqlite3.connect(":memory:", check_same_thread=False)
    with stage.engine.connect() as connection:
        _driver(connection).backup(copy)
    taken = (tuple(stage.first.taken), tuple(stage.second.taken))
    return Saved(copy, stage.clock.at, taken, stage.service.channels, stage.first.sends_receipts, stage.texts)


def brought_back(saved: Saved, engine: Engine, crashes: Crashes | None = None) -> Stage:
    """The stage as it was, on this engine in memory, with new processes that `crashes` may kill."""
    with engine.connect() as connection:
        saved.database.backup(_driver(connection))
    clock = HandMovedClock(saved.at)
    counter = itertools.count(1 + sum(map(len, saved.taken)))
    first, second = (Remembering(name, clock, counter) for name in ("first", "second"))
    for gateway, taken in zip((first, second), saved.taken, strict=True):
        gateway.taken, gateway.channels, gateway.sends_receipts = list(taken), saved.channels, saved.receipts
    service = Service(engine, clock, PUBLIC_URL, "test-1", channels=saved.channels)
    stage = Stage(engine, clock, service, first, second, courier_in_line(service, [first, second]), saved.texts)
    if crashes is not None:
        new_processes(stage, crashes)
    return stage


def put_back(saved: Saved, stage: Stage) -> None:
    """Bring a stage in memory back to where it was, with the same processes: nothing of it is in their memory."""
    with stage.engine.connect() as connection:
        saved.database.backup(_driver(connection))
    stage.clock.at, stage.texts = saved.at, saved.texts
    for gateway, taken in zip((stage.first, stage.second), saved.taken, strict=True):
        gateway.taken[:], gateway.sends_receipts = taken, saved.receipts


def carries_every_way(stage: Stage) -> None:
    """From now on the gateways carry texts, calls and e-mails, and the service knows it."""
    stage.service = replace(stage.service, channels=frozenset(Channel))
    stage.first.channels = stage.second.channels = stage.service.channels
    stage.courier = courier_in_line(stage.service, [stage.first, stage.second])


def new_processes(stage: Stage, crashes: Crashes) -> None:
    """Web, worker and courier begin with an empty memory."""
    service = Service(
        stage.engine,
        stage.clock,
        PUBLIC_URL,
        f"test-{len(crashes.passed) + 1}",
        nudge=crashes.nudging(lambda: None),
        channels=stage.service.channels,
    )
    stage.service = service
    stage.courier = courier_in_line(service, [DeadlyGateway(one, crashes) for one in (stage.first, stage.second)])


@contextmanager
def engine_in_memory() -> Iterator[Engine]:
    """One engine for all worlds: what it learned to compile it need not learn again."""
    engine = open_engine("sqlite://")
    prepare(engine, BEGIN_AT)
    yield engine
    engine.dispose()


def _driver(connection: object) -> sqlite3.Connection:
    found = connection.connection.driver_connection  # type: ignore[attr-defined]
    assert isinstance(found, sqlite3.Connection)
    return found
