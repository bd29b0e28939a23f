"""The one clock: every `now` of the service comes from here."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final, Protocol

FOLLOWED_BACK: Final = timedelta(seconds=2)  # time servers correct by less than this all the time


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


@dataclass(slots=True)
class SteadyClock:
    """The machine's wall clock, as long as that is not set back by more than 2 seconds, and does not stop.

    Then it goes on as it went: every deadline would come later by as much, and an alarm may rather be early. So a clock
    that was wrongly ahead is followed back only by a process that is started anew.
    """

    shown: Callable[[], datetime] = WallClock().now
    monotonic: Callable[[], float] = time.monotonic
    _ahead_most: timedelta | None = field(default=None, init=False, repr=False)  # of the monotonic one
    _seen_ahead: timedelta | None = field(default=None, init=False, repr=False)

    def now(self) -> datetime:
        """The present instant in UTC."""
        shown, since = self.shown(), timedelta(seconds=self.monotonic())
        ahead = shown - _EPOCH - since
        most = self._ahead_most
        if most is None or ahead >= most - FOLLOWED_BACK:
            self._ahead_most = ahead if most is None else max(most, ahead)
            return shown
        return _EPOCH + since + most

    def ahead(self) -> timedelta:
        """How far we are before the wall clock, which was set back."""
        return self.now() - self.shown()

    def stepped(self) -> timedelta:
        """How far the wall clock was set, ahead (+) or back (-), since this was asked last; nothing the first time."""
        ahead = self.shown() - _EPOCH - timedelta(seconds=self.monotonic())
        before, self._seen_ahead = self._seen_ahead, ahead
        return timedelta(0) if before is None else ahead - before


_EPOCH: Final = datetime(1970, 1, 1, tzinfo=UTC)


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
