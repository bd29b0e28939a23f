"""The clock of a real installation goes on when the machine's is set back, stops or starts behind."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import pytest

from service.clock import BELIEVED_AHEAD_MAX, FOLLOWED_BACK, MACHINES_APART, SURELY_PAST, SteadyClock

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


def test_a_process_that_starts_behind_goes_on_from_the_mark_until_the_machine_is_right() -> None:
    """It never falls back behind what others took for the present, and follows the wall clock once that is there."""
    machine = Machine(wall=NOON - HOUR)
    clock = machine.clock()
    assert (clock.go_on_from(NOON), clock.now(), clock.behind_mark()) == (HOUR, NOON, HOUR)

    machine.passes(5)
    assert (clock.now(), clock.behind_mark()) == (NOON + 5 * SECOND, HOUR)
    assert clock.go_on_from(NOON + 5 * SECOND) == timedelta(0)

    machine.wall += HOUR + 3 * SECOND
    assert (clock.now(), clock.behind_mark()) == (NOON + 8 * SECOND, timedelta(0))
    machine.wall -= HOUR
    assert (clock.now(), clock.behind_mark()) == (NOON + 8 * SECOND, timedelta(0))


@pytest.mark.parametrize(
    ("wall", "mark", "goes_on"),
    [
        pytest.param(NOON, NOON - HOUR, False, id="of before: a power cut, a copy that was restored"),
        pytest.param(NOON, NOON + MACHINES_APART, False, id="as clocks of machines differ"),
        pytest.param(NOON, NOON + MACHINES_APART + SECOND, True, id="more than that"),
        pytest.param(NOON, NOON + BELIEVED_AHEAD_MAX, True, id="a wrong zone or day"),
        pytest.param(NOON, NOON + BELIEVED_AHEAD_MAX + SECOND, False, id="a clock that was far ahead once"),
        pytest.param(datetime(1970, 1, 1, tzinfo=UTC), NOON, True, id="a clock without its battery"),
        pytest.param(SURELY_PAST - SECOND, NOON, True, id="a time before there was this program"),
        pytest.param(SURELY_PAST, NOON, False, id="a time that may be right"),
    ],
)
def test_a_mark_counts_where_it_is_ahead_and_believed(wall: datetime, mark: datetime, *, goes_on: bool) -> None:
    """Else the wall clock is what there is."""
    clock = Machine(wall=wall).clock()

    behind = clock.go_on_from(mark)

    assert (behind, clock.now()) == ((mark - wall, mark) if goes_on else (timedelta(0), wall))


def test_a_clock_without_its_battery_believes_one_mark_and_no_other_by_years() -> None:
    """From the first it knows about what time it is."""
    clock = Machine(wall=datetime(1970, 1, 1, tzinfo=UTC)).clock()
    clock.go_on_from(NOON)

    assert clock.go_on_from(NOON + timedelta(days=9_000)) == timedelta(0)
    assert clock.go_on_from(NOON + HOUR) == HOUR
    assert clock.now() == NOON + HOUR


def test_a_clock_that_was_set_back_is_behind_no_mark() -> None:
    """That is told as a step; what a mark says is told for itself."""
    machine = Machine()
    clock = machine.clock()
    clock.now()

    machine.wall -= HOUR

    assert (clock.ahead(), clock.behind_mark()) == (HOUR, timedelta(0))
