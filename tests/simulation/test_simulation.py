"""Whole days by seed: whatever happens, what must hold holds; and the simulation itself plays fair."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from service.clock import SteadyClock
from service.operations import canary_dive, clock_mark
from service.operations.clock_mark import MarkFollower
from service.operations.snapshotting import KeeperFiles
from tests.rules.source import ROOT
from tests.simulation.canary_day import wants_one
from tests.simulation.clocks import Believed, MachineClock
from tests.simulation.database import Database
from tests.simulation.faults import KINDS, PEOPLE, Spell, Weather, draw_weather
from tests.simulation.figures import Alarm, Played, late
from tests.simulation.loop import Death, Loop, SimulatedPool
from tests.simulation.planting import plant
from tests.simulation.report import Report
from tests.simulation.run import regressions
from tests.simulation.world import World

SEEDS = int(os.environ.get("SIMULATED_DAYS", "40"))
A_TEST = 4  # seeds to a test, so that they can be shared out among processes
# Kinds that need each other to strike, each with a seed in whose day all of them do.
GROUPS = {
    "calls": (
        4,
        (
            *("times_out", "answer_lost", "server_error", "server_error_taken", "code_raises", "slow_answer"),
            *("look_up_fails", "look_up_lies", "look_up_slow", "taken_once"),
        ),
    ),
    "refusals": (
        2,
        (
            *("not_sent", "throttled", "throttled_long", "throttled_mute", "filtered", "no_route", "number_refused"),
            *("opted_out_there", "account_trouble", "code_unknown"),
        ),
    ),
    "away": (1, ("gateways_down",)),
    "one away": (1, ("gateway_down",)),
    "receipts": (
        2,
        (
            *("receipt_lost", "receipt_late", "receipt_twice", "receipt_disordered", "receipt_contradicted"),
            *("receipt_early", "receipt_failed", "receipt_unknown", "list_unreadable"),
        ),
    ),
    "texts": (
        2,
        (
            *("text_delayed", "text_twice", "text_by_both", "text_not_posted", "text_forged", "text_ahead"),
            *("parts_disordered", "part_lost", "list_repeats", "black_hole"),
        ),
    ),
    "deaths": (
        8,
        (
            *("killed_before_commit", "killed_after_commit", "killed_before_request", "killed_after_request"),
            *("killed_after_answer", "killed_before_answering", "frozen_in_call", "frozen"),
        ),
    ),
    "processes": (1, ("sweepers_dead", "couriers_dead", "web_dead", "keeper_dead", "broker_away")),
    "database": (
        1,
        (
            *("database_busy", "connection_lost", "commit_answer_lost", "database_hangs", "nudge_lost"),
            *("two_sweeps", "two_couriers", "nudge_twice"),
        ),
    ),
    "no database": (1, ("database_away", "disk_full")),
    "clocks": (1, ("clock_fast", "clock_slow", "clock_stops", "clock_forward", "clock_back", "clocks_apart")),
    "clock lost": (1, ("clock_lost",)),
    "clock corrected": (1, ("clock_corrected",)),
}
NOON = datetime(2027, 6, 1, 12, tzinfo=UTC)
GOES_ON_FROM = SteadyClock.go_on_from


@pytest.fixture(scope="module")
def database() -> Iterator[Database]:
    """One engine for all days."""
    made = Database()
    yield made
    made.close()


@pytest.mark.parametrize("first", range(0, SEEDS, A_TEST))
def test_whatever_happens_on_a_day_what_must_hold_holds(first: int, database: Database) -> None:
    """While faults rain nothing happens that must not; once they stop, all that was promised comes about."""
    days = [World(seed, database).play() for seed in range(first, first + A_TEST)]

    assert {day.seed: day.broken for day in days if day.broken} == {}


def test_days_that_once_failed_hold(database: Database) -> None:
    """What was mended stays so."""
    days = [World(seed, database, cases=() if plain else None).play() for seed, plain in regressions()]

    assert {day.seed: day.broken for day in days if day.broken} == {}


@pytest.mark.parametrize("name", GROUPS)
def test_every_kind_of_fault_strikes(name: str, database: Database) -> None:
    """All of a group, around every start and every due time of a day; and what must hold holds."""
    seed, kinds = GROUPS[name]

    day = World(seed, database, kinds=kinds).play()

    assert day.broken == []
    assert set(kinds) - set(day.counts) == set()


def test_every_kind_of_fault_is_in_a_group() -> None:
    """So none is only thought of."""
    assert {kind for _, kinds in GROUPS.values() for kind in kinds} == set(KINDS)


@pytest.mark.postgres
@pytest.mark.parametrize("seed", [2, 9])
def test_days_hold_on_postgresql(seed: int, postgres_url: str) -> None:
    """Fewer, since the rules are the same; the database is not."""
    database = Database(postgres_url)

    assert World(seed, database).play().broken == []
    database.close()


def test_a_seed_plays_the_same_day_twice(database: Database) -> None:
    """Word for word and entry for entry, else a failing seed could not be looked into."""
    first, second = (World(5, database).play() for _ in range(2))

    assert first.prints == second.prints
    assert (first.counts, first.people, first.alarms) == (second.counts, second.people, second.alarms)


def test_a_planted_violation_is_found(database: Database) -> None:
    """A stand-down that no gateway took is reported, else a run without violations would mean nothing."""
    words, played = plant(database, 0)

    assert words.startswith("found in seed ")
    assert played is not None
    assert any(line.startswith("stood-down: ") for line in played.broken)


def never(*_: object) -> None:
    """It does nothing."""


def breaks(*_: object) -> None:
    """It always fails."""
    raise RuntimeError("a fault in what follows the mark")


def from_an_older_one(clock: SteadyClock, mark: datetime) -> timedelta:
    """It goes on, but from what is a minute older."""
    return GOES_ON_FROM(clock, mark - timedelta(minutes=1))


@pytest.mark.parametrize(
    ("where", "name", "fault"),
    [
        pytest.param(MarkFollower, "__call__", never, id="nobody looks at the mark"),
        pytest.param(clock_mark, "go_on_from_mark", breaks, id="every look at it fails"),
        pytest.param(SteadyClock, "go_on_from", from_an_older_one, id="a minute is lost at each start"),
    ],
)
def test_a_process_that_acts_behind_the_mark_is_a_violation(
    database: Database, monkeypatch: pytest.MonkeyPatch, where: Any, name: str, fault: Any
) -> None:
    """Else the judge's own time, or a look that never was, would hide that alarms come late."""
    monkeypatch.setattr(where, name, fault)

    played = World(1, database, kinds=("clock_lost",)).play()

    assert any(line.startswith("behind: ") for line in played.broken)


def test_a_keeper_that_loses_time_without_a_database_is_a_violation(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It has nothing to go on from but what the one before it has left on its disk."""
    assert away_when_clock_is_lost(database).play().broken == []
    monkeypatch.setattr(KeeperFiles, "leave_time", never)

    played = away_when_clock_is_lost(database).play()

    assert any("behind the keeper before it" in line for line in played.broken)


def away_when_clock_is_lost(database: Database) -> World:
    """A day on which the machine starts again, behind, in the middle of an outage."""
    day = World(1, database, kinds=())
    at = day.begins_at + timedelta(hours=6)
    spells = [
        Spell("database_away", at, at + timedelta(minutes=40), 1.0),
        Spell("clock_lost", at + timedelta(minutes=20), at + timedelta(minutes=30), 1.0),
    ]
    day.weather = Weather(random.Random(1), spells)
    return day


def test_a_club_tries_the_whole_way_in_one_day_of_four(database: Database) -> None:
    """Its canary dive begins and ends among the faults of the day, and somebody says how it went."""
    with_one = [seed for seed in range(400) if wants_one(seed)]
    day = World(with_one[0], database)
    played = day.play()

    assert 70 <= len(with_one) <= 130
    assert played.broken == []
    assert played.canary_dives >= 1
    assert all(phase == "closed" for _, phase in day.canary_day.dives)


def test_a_canary_dive_that_nobody_ends_is_a_violation(database: Database, monkeypatch: pytest.MonkeyPatch) -> None:
    """Else days in which it was forgotten would pass for good ones."""
    monkeypatch.setattr(canary_dive, "_go_on", lambda *_: None)
    played = World(next(filter(wants_one, range(400))), database).play()

    assert any(line.startswith("canary-dive: ") for line in played.broken)


def test_one_command_plays_a_day_again() -> None:
    """In another process it is the same day, printed with its weather and figures."""
    command = [sys.executable, "-m", "tests.simulation.run", "--seed", "2"]
    shown = [subprocess.run(command, capture_output=True, text=True, check=True).stdout for _ in range(2)]

    assert [line for line in shown[0].splitlines() if "real time" not in line] == [
        line for line in shown[1].splitlines() if "real time" not in line
    ]
    assert "seed 2, weather:" in shown[0]
    assert shown[0].splitlines()[-1] == "violations: 0 in 0 seeds"


# The run that is reported


def a_day(seed: int = 1, broken: tuple[str, ...] = (), alarms: tuple[Alarm, ...] = ()) -> Played:
    """A day as it was played."""
    return Played(seed, list(broken), Counter({"times_out": 2}), Counter(), 1, 5, 1, 9, 40, list(alarms), "")


def test_a_run_names_the_seeds_that_failed_and_how_to_play_them_again() -> None:
    """A violation is of no use without its seed."""
    report = Report([a_day(), a_day(77, ("stood-down: somebody never heard that it is over",))], wall_s=1.0)

    assert "SEED 77: stood-down: somebody never heard that it is over" in report.lines()
    assert "  play it again: make simulate SEED=77" in report.lines()
    assert report.lines()[-1] == "violations: 1 in 1 seeds"


def test_a_run_whose_planted_violation_was_not_found_fails() -> None:
    """It would have found no other one either."""
    assert Report([a_day()], planted="NOT FOUND in seed 3").short == ["the planted violation was NOT FOUND in seed 3"]
    assert Report([a_day()], planted="found in seed 3: ...").short == []


@pytest.mark.parametrize(
    ("took_s", "faults", "is_late"),
    [
        (60.0, set(), False),
        (60.1, set(), True),
        (60.1, {"times_out"}, True),
        (180.0, {"database_away"}, False),
        (180.1, {"gateways_down"}, True),
        (900.0, {"times_out", "frozen"}, False),
    ],
)
def test_an_alarm_is_late_by_what_is_stated_for_its_faults(took_s: float, faults: set[str], is_late: bool) -> None:  # noqa: FBT001 - a column of the table
    """60 s under one kind of fault, 180 s where both gateways or the database were away, no figure for several."""
    assert bool(late([Alarm("d", took_s, frozenset(faults))])) == is_late


def test_a_fault_that_had_every_gateway_refuse_it_again_and_again_took_both_away() -> None:
    """Chance may do what a fault of both gateways does; once or twice is what one fault is."""
    times = {refused: bool(late([Alarm("d", 60.1, frozenset({"server_error"}), refused)])) for refused in (0, 2, 3)}

    assert times == {0: True, 2: True, 3: False}
    assert late([Alarm("d", 180.1, frozenset({"server_error"}), refused=3)])


def test_every_kind_of_fault_and_person_is_in_the_documents() -> None:
    """By its name, with what it is."""
    page = (ROOT / "docs" / "simulation.md").read_text(encoding="utf-8")
    rows = {kind.name: kind.what for kind in KINDS.values()} | dict(PEOPLE)

    assert [name for name, what in rows.items() if f"| `{name}` | {what} |" not in page] == []


# Time, clocks and weather


class Body:
    """A process to test with."""

    def __init__(self) -> None:
        self.dead = False
        self.frozen_until_at: datetime | None = None


def run_out(loop: Loop) -> None:
    """Let everything happen."""
    while loop.next_at() is not None:
        loop.run_next()


def test_tasks_wait_in_simulated_time_and_side_by_side() -> None:
    """Two that wait for as long are done as soon as one."""
    loop, body, ended = Loop(NOON), Body(), []

    def work() -> None:
        loop.sleep(10)
        ended.append(loop.now)

    loop.start(body, work)
    loop.start(body, work)
    run_out(loop)

    assert ended == [NOON + timedelta(seconds=10)] * 2
    loop.end()


def test_a_dead_process_does_nothing_more() -> None:
    """Whatever it waited for, it is not there to go on, and no handler of ordinary faults holds it."""
    loop, body, done = Loop(NOON), Body(), []

    def work() -> None:
        try:
            loop.sleep(10)
        except Exception:  # noqa: BLE001 - as the service does
            done.append("caught")
        done.append("went on")

    loop.start(body, work)
    body.dead = True
    run_out(loop)

    assert done == []
    assert not issubclass(Death, Exception)
    loop.end()


def test_a_frozen_process_goes_on_when_it_thaws() -> None:
    """What it waited for is long over by then."""
    loop, body, ended = Loop(NOON), Body(), []
    body.frozen_until_at = NOON + timedelta(minutes=5)
    loop.start(body, lambda: (loop.sleep(10), ended.append(loop.now)))
    run_out(loop)

    assert ended == [NOON + timedelta(minutes=5)]
    loop.end()


def test_a_future_is_waited_for_in_simulated_time() -> None:
    """And is given up after so many simulated seconds."""
    loop, body, seen = Loop(NOON), Body(), []
    pool = SimulatedPool(loop, body)

    def ask() -> None:
        slow = pool.submit(loop.sleep, 10)
        with pytest.raises(TimeoutError):
            slow.result(timeout=3)
        seen.append(loop.now)
        assert slow.result() is None
        seen.append(loop.now)

    loop.start(body, ask)
    run_out(loop)

    assert seen == [NOON + timedelta(seconds=3), NOON + timedelta(seconds=10)]
    loop.end()


def test_a_clock_drifts_jumps_stops_and_is_set_right() -> None:
    """It is never set back when it is set right, and what is believed of it never goes back."""
    loop = Loop(NOON)
    clock = MachineClock(loop)
    believed = Believed(loop, clock)
    clock.go(61 / 60)
    loop.now += timedelta(minutes=10)
    assert clock.now() == NOON + timedelta(minutes=10, seconds=10)
    clock.set_right()
    assert clock.now() == NOON + timedelta(minutes=10, seconds=10)

    shown = believed.now()
    clock.jump(timedelta(minutes=-5))
    clock.go(0.0)
    assert believed.now() == shown
    loop.now += timedelta(minutes=1)
    assert believed.now() == shown + timedelta(minutes=1)
    assert believed.when(shown + timedelta(minutes=3)) - loop.now == timedelta(minutes=2, microseconds=1)
    clock.set_right()
    assert (clock.now(), clock.went_back) == (loop.now, True)


def test_weather_strikes_only_while_it_is_about() -> None:
    """And is counted; at its end nothing strikes any more."""
    weather = Weather(random.Random(1), [Spell("times_out", NOON, NOON + timedelta(minutes=1), 1.0)])

    assert [weather.strikes("times_out", NOON + timedelta(seconds=s)) for s in (-1, 0, 59, 60)] == [
        *(False, True, True, False)
    ]
    assert weather.counts == {"times_out": 2}


def test_weather_is_over_when_it_clears() -> None:
    """However long a kind lasts."""
    spells = draw_weather(random.Random(1), [NOON], NOON + timedelta(minutes=3), 40)

    assert spells
    assert max(spell.end for spell in spells) <= NOON + timedelta(minutes=3)
