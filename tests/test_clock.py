"""The clock of a real installation goes on when the machine's is set back or stops, and tells of steps."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest

from service.clock import FOLLOWED_BACK, SteadyClock

NOON = datetime(2027, 6, 1, 12, tzinfo=UTC)
HOUR, SECOND = timedelta(hours=1), timedelta(seconds=1)


@dataclass
class Machine:
    """A wall clock that somebody sets, and a counter that nobody can set."""

    wall: datetime = NOON
    counter_s: float = 100.0

    def passes(self, seconds: float, *, stopped: bool = False) -> None:
        """Time goes by; a stopped wall clock does not notice."""
        self.counter_s += seconds
        if not stopped:
            self.wall += timedelta(seconds=seconds)

    def clock(self) -> SteadyClock:
        """The clock of a process on this machine."""
        return SteadyClock(lambda: self.wall, lambda: self.counter_s)


def test_it_shows_what_the_machine_shows() -> None:
    """While nothing is wrong."""
    machine = Machine()
    clock = machine.clock()

    machine.passes(5)

    assert (clock.now(), clock.now()) == (NOON + 5 * SECOND, NOON + 5 * SECOND)


def test_an_hour_back_is_not_followed() -> None:
    """Deadlines would come an hour late, so the time goes on as it went, until the wall clock is right again."""
    machine = Machine()
    clock = machine.clock()
    clock.now()

    machine.wall -= HOUR
    machine.passes(5)
    assert clock.now() == NOON + 5 * SECOND

    machine.wall += HOUR
    machine.passes(5)
    assert clock.now() == NOON + 10 * SECOND


def test_a_stopped_clock_goes_on_after_two_seconds() -> None:
    """However often it is looked at meanwhile."""
    machine = Machine()
    clock = machine.clock()
    shown = []
    for _ in range(6):
        shown.append(clock.now())
        machine.passes(1, stopped=True)

    assert shown[:3] == [NOON] * 3
    assert shown[3:] == [NOON + seconds * SECOND for seconds in (3, 4, 5)]


def test_a_correction_of_two_seconds_is_followed() -> None:
    """As those of time servers."""
    machine = Machine()
    clock = machine.clock()
    clock.now()

    machine.wall -= FOLLOWED_BACK

    assert clock.now() == NOON - FOLLOWED_BACK


def test_an_hour_ahead_is_followed_and_not_taken_back() -> None:
    """A machine that slept is ahead rightly; where it was wrong, alarms rather come early until a restart."""
    machine = Machine()
    clock = machine.clock()
    clock.now()

    machine.wall += HOUR
    assert clock.now() == NOON + HOUR
    machine.wall -= HOUR
    assert clock.now() == NOON + HOUR
    assert machine.clock().now() == NOON


@pytest.mark.parametrize("step", [HOUR, -HOUR, timedelta(0)])
def test_it_tells_of_each_step_once(step: timedelta) -> None:
    """Asked again it says that nothing happened since."""
    machine = Machine()
    clock = machine.clock()
    assert clock.stepped() == timedelta(0)

    machine.passes(5)
    machine.wall += step

    assert (clock.stepped(), clock.stepped()) == (step, timedelta(0))
