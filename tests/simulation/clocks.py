"""The clocks of the simulated machine and its processes: they drift, jump and stop."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.clock import SteadyClock
from tests.simulation.loop import Loop

MOMENT = timedelta(microseconds=1)  # what a clock shows as `when` must not be before it


class MachineClock:
    """The clock of the machine. It is right until something happens to it."""

    def __init__(self, loop: Loop) -> None:
        self._loop = loop
        self._true_at = loop.now
        self._shows_at = loop.now
        self._rate = 1.0
        self.was_right = True
        self.went_back = False

    def now(self) -> datetime:
        """What it shows."""
        since = self._loop.now - self._true_at
        return self._shows_at + (since if self._rate == 1.0 else since * self._rate)

    def go(self, rate: float) -> None:
        """Run so much faster than time from now on; 0 stops it."""
        self._hold()
        self._rate = rate
        self.was_right = self.was_right and rate == 1.0

    def jump(self, by: timedelta) -> None:
        """Be set to another time."""
        self._hold()
        self._shows_at += by
        self.was_right = False
        self.went_back = self.went_back or by < timedelta(0)

    def set_right(self) -> None:
        """Run as time does; be set where it is behind, and left where it is before, since it must not go back."""
        self._hold()
        self._rate = 1.0
        self._shows_at = max(self._shows_at, self._loop.now)

    def correct(self) -> None:
        """Be set right, back too."""
        self._hold()
        self._rate = 1.0
        self._shows_at = self._loop.now

    @property
    def rate(self) -> float:
        """How much faster than time it runs."""
        return self._rate

    def _hold(self) -> None:
        self._true_at, self._shows_at = self._loop.now, self.now()


@dataclass
class ProcessClock:
    """What a process is shown: the machine's clock, or one a little beside it on another machine."""

    machine: MachineClock
    apart: timedelta = timedelta(0)

    def now(self) -> datetime:
        """What it is shown."""
        return self.machine.now() + self.apart


class Believed:
    """What the oldest process takes for the time: all that the service itself makes of the machine's clock."""

    def __init__(self, loop: Loop, machine: MachineClock) -> None:
        self._loop = loop
        self._machine = machine
        self._steady = SteadyClock(machine.now, loop.monotonic)

    def start_again(self, mark: datetime) -> None:
        """Every process has been started again, and one has gone on from there: so it is the oldest now."""
        self._steady = SteadyClock(self._machine.now, self._loop.monotonic)
        self._steady.go_on_from(mark)

    def now(self) -> datetime:
        """The time, as it is believed to be."""
        return self._steady.now()

    def when(self, shows: datetime) -> datetime:
        """When that will be, if nothing happens to the clock; where it is slow, a little before."""
        left = shows - self.now()
        rate = self._machine.rate
        return self._loop.now + (left if rate <= 1.0 else left / rate) + MOMENT
