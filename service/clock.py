"""The one clock: every `now` of the service comes from here."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Final, Protocol

FOLLOWED_BACK: Final = timedelta(seconds=2)  # time servers correct by less than this all the time
MACHINES_APART: Final = timedelta(seconds=5)  # clocks of machines differ, and many a one starts some seconds ahead
BELIEVED_AHEAD_MAX: Final = timedelta(hours=26)  # from the first zone of the earth to the last: a wrong zone, or day
SURELY_PAST: Final = datetime(2026, 11, 1, tzinfo=UTC)  # before this was written: a clock without its battery


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

    Then it goes on as it went: every deadline would come later by as much, and an alarm may rather be early. A process
    that starts behind goes on from the mark of the others (`go_on_from`). So a clock that was wrongly ahead is followed
    back only by processes that are started anew, after a person has taken the mark back (`linetender clock confirm`).
    """

    shown: Callable[[], datetime] = WallClock().now
    monotonic: Callable[[], float] = time.monotonic
    _ahead_most: timedelta | None = field(default=None, init=False, repr=False)  # of the monotonic one
    _marked: timedelta | None = field(default=None, init=False, repr=False)  # the same, as a mark had it
    _seen_ahead: timedelta | None = field(default=None, init=False, repr=False)
    # Many threads ask, and one goes on from a mark meanwhile.
    _lock: threading.RLock = field(default_factory=threading.RLock, init=False, repr=False, compare=False)

    def now(self) -> datetime:
        """The present instant in UTC."""
        with self._lock:
            return self._now()

    def _now(self) -> datetime:
        shown, since = self.shown(), timedelta(seconds=self.monotonic())
        ahead = shown - _EPOCH - since
        most = self._ahead_most
        if most is None or ahead > most:
            self._ahead_most = ahead
        elif ahead < most - FOLLOWED_BACK:
            return _EPOCH + since + most
        return shown

    def go_on_from(self, mark: datetime) -> timedelta:
        """Go on from the latest that any process of ours has taken for the present, if we are over 5 s behind that.

        Gives how far we were behind; nothing where we were not, or where the mark is not believed.

        Nobody can tell from here whether our machine has lost an hour or whoever left the mark had an hour too many.
        In either case an open dive would be alarmed an hour late by a clock that is behind the one by which it went in,
        so the mark holds until the wall clock has reached it, or until a person takes it back. A mark that is wrong
        costs less: times that texts name are late by as much, and planned starts are assumed early.

        A mark more than 26 h ahead is no mistake of zones or of a day. It is not believed, else one moment of a clock
        that is years ahead would have us assume every planned start for as long as nobody takes it back; whoever looks
        after us is told. But a wall clock that shows a time before this program was written is surely wrong itself.
        """
        with self._lock:
            now, shown = self._now(), self.shown()
            known = now if shown < SURELY_PAST else shown  # what is by no mark, or by one that was believed before
            if mark - now <= MACHINES_APART or (mark - known > BELIEVED_AHEAD_MAX and known >= SURELY_PAST):
                return timedelta(0)
            self._ahead_most = self._marked = mark - _EPOCH - timedelta(seconds=self.monotonic())
            return mark - now

    def behind_mark(self) -> timedelta:
        """How far the wall clock is behind the mark from which we go on; nothing where we go by the wall clock."""
        with self._lock:
            goes_on = self._marked is not None and self._marked == self._ahead_most
            return max(self.ahead(), timedelta(0)) if goes_on else timedelta(0)

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
