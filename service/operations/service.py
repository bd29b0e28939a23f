"""What every operation needs, put together once per process."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TypeVar

from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.clock import Clock
from service.domain.people import Channel
from service.operations.gateway import OwnNumber
from service.store.engine import reading, run

T = TypeVar("T")
TEXTS_ONLY = frozenset({Channel.TEXT})


def _no_nudge() -> None:
    """Nobody to hurry: the couriers find the messages by their own looking."""


@dataclass(frozen=True, slots=True)
class Service:
    """The database, the clock, our public address, and a way to hurry the couriers.

    `nudge` is called after a commit that queued something. It never raises, returns within a second, and may be
    lost: it makes telling quick, the table makes it certain.
    """

    engine: Engine
    clock: Clock
    public_url: str
    process: str  # who acts, for the log: "web-4711", "keeper-4712"
    nudge: Callable[[], None] = field(default=_no_nudge)
    channels: frozenset[Channel] = TEXTS_ONLY  # what the gateways in the settings can carry
    own_numbers: tuple[OwnNumber, ...] = ()  # and what they send from

    def write(self, work: Callable[[Session], T]) -> T:
        """Run one unit of work in one transaction, tried again as a whole on a passing fault of the database."""
        return run(self.engine, work)

    def read(self, work: Callable[[Session], T]) -> T:
        """Run a unit of work that changes nothing."""
        with reading(self.engine) as session:
            return work(session)
