"""The one clock: every `now` of the service comes from here."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """Gives the time; tests and the demo have their own."""

    def now(self) -> datetime:
        """The present instant, aware, in UTC."""
        ...


@dataclass(frozen=True, slots=True)
class WallClock:
    """The machine's wall clock, for everything real."""

    def now(self) -> datetime:
        """The present instant in UTC."""
        return datetime.now(UTC)


@dataclass(frozen=True, slots=True)
class PacedClock:
    """A clock for demonstrations: `pace` seconds go by in each real one, since `origin`.

    All processes of one demo must be given the same origin, else they disagree about now.
    """

    pace: float
    origin: datetime

    def now(self) -> datetime:
        """The demonstration's instant in UTC."""
        return self.origin + (datetime.now(UTC) - self.origin) * self.pace


def clock_seconds(clock: Clock, seconds: float) -> float:
    """How far the clock goes in `seconds` real ones: what bounds a call to a gateway is real time."""
    return seconds * clock.pace if isinstance(clock, PacedClock) else seconds
