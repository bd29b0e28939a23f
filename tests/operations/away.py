"""A database that goes away and comes back, a keeper's standby, and time that passes while it is gone."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, event
from sqlalchemy.exc import OperationalError

from service.clock import Clock
from service.domain.dive import Dive
from service.operations.gateway import InboundText
from service.operations.intake import drain_quietly
from service.operations.outage_journal import Entry, Journal
from service.operations.spooling import Spool
from service.operations.standby import Standby
from service.operations.standing_in import Means
from tests.operations.stage import OURS, Stage

SECRET = "s" * 40
NOT_CONFIRMED = "SERVICE FAULT, NOT CONFIRMED"
LOOK_EVERY = timedelta(seconds=10)


@contextmanager
def gone(engine: Engine) -> Iterator[None]:
    """Until the end nobody can connect to it, and nobody is connected."""

    def refuse(*_: object) -> None:
        raise OperationalError("connect", {}, ConnectionRefusedError("the database is gone"))

    event.listen(engine, "do_connect", refuse)
    engine.dialect.dispatch.do_connect.listeners.rotate(1)  # before the engine's own, which connects
    engine.dispose()
    try:
        yield
    finally:
        event.remove(engine, "do_connect", refuse)


@contextmanager
def read_only(engine: Engine) -> Iterator[None]:
    """Until the end it answers and takes no writes, as on a full disk."""

    def refuse(_: object, __: object, statement: str, *___: object) -> None:
        if statement.lstrip().startswith(("INSERT", "UPDATE", "DELETE")):
            raise OperationalError(statement, {}, OSError("No space left on device"))

    event.listen(engine, "before_cursor_execute", refuse)
    try:
        yield
    finally:
        event.remove(engine, "before_cursor_execute", refuse)


@dataclass
class Keeping:
    """A keeper's standby on a stage, with a disk of its own. Its seconds go as the stage's clock does."""

    stage: Stage
    directory: Path
    standby: Standby = field(init=False)
    spool: Spool = field(init=False)
    texts: int = 0
    clock: Clock | None = None  # the stage's, where there is no other

    def __post_init__(self) -> None:
        self.spool = Spool(self.directory, SECRET)
        self.spool.make()
        self.start()

    def start(self) -> None:
        """A new keeper on the same disk."""
        stage, began = self.stage, self.stage.clock.at

        def seconds() -> float:
            return (stage.clock.at - began).total_seconds()

        means = Means(
            [stage.first, stage.second],
            self.spool,
            self.clock or stage.clock,
            seconds,
            stage.service.own_numbers,
        )
        self.standby = Standby(stage.service, means)

    def start_again(self) -> None:
        """The keeper ends, and another one begins."""
        self.standby.close()
        self.start()

    def look(self) -> None:
        """One look with the database, at least as long after the last one as snapshots are apart."""
        self.stage.clock.at += LOOK_EVERY
        self.standby.look()
        drain_quietly(self.stage.service, self.spool)
        self.standby.all_is_well()

    def without(self, *, minutes: float = 0, seconds: float = 0) -> None:
        """Looks without the database for so long."""
        end = self.stage.clock.at + timedelta(minutes=minutes, seconds=seconds)
        while self.stage.clock.at < end:
            self.stage.clock.at = min(end, self.stage.clock.at + LOOK_EVERY)
            with pytest.raises(OperationalError):
                self.standby.look()
            assert self.standby.without_database()

    def spooled(self, sender: str, body: str, receiver: str = OURS, *, lay: timedelta = timedelta()) -> None:
        """A text that came while the database was gone, and had lain somewhere for so long."""
        self.texts += 1
        came_at = self.stage.clock.at - lay
        text = InboundText("first", f"spooled-{self.texts}", sender, receiver, body, {"Body": body}, came_at)
        self.spool.keep(text)

    def hears(
        self, sender: str, body: str, receiver: str = OURS, *, lay: timedelta = timedelta(), minutes: float = 3
    ) -> None:
        """A text that comes so many minutes into an outage, and is heard at the next look."""
        self.without(minutes=minutes)
        self.spooled(sender, body, receiver, lay=lay)
        self.without(seconds=10)

    @property
    def journal(self) -> list[Entry]:
        """What the keeper wrote down of this outage."""
        return Journal(self.spool.keeper).read()


def armed(keeping: Keeping, *, before: timedelta = timedelta(minutes=1)) -> Dive:
    """A dive in the snapshot that is past due out and falls due in so long."""
    dive = keeping.stage.dive_in()
    assert dive.raise_by_at is not None
    keeping.stage.wait(dive.raise_by_at - before - keeping.stage.clock.at)
    keeping.look()
    return keeping.stage.dive(dive.id)


def alarms(stage: Stage, phone: str) -> list[str]:
    """The alarms to a phone that nothing confirmed."""
    return [body for body in stage.to(phone) if NOT_CONFIRMED in body]
