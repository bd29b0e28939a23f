"""What parties do beside the usual: all of it occurs, and what people meant is held against what their texts did."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import pytest

from service.domain.texts import Intent, Kind
from service.operations import inbound, standing_in, texting
from service.operations.outage_ladder import Ladder
from tests.simulation.casting import DRAWN
from tests.simulation.database import Database
from tests.simulation.faults import PEOPLE
from tests.simulation.report import Report
from tests.simulation.test_simulation import a_day
from tests.simulation.world import World

SEEDS = (4, 7, 8, 12, 18, 19)  # in whose days all of it occurs; who calls afterwards has a day below
WAYS = {way for case in DRAWN.values() for way in (case.name, *case.more)}
READ = inbound.read


@pytest.fixture(scope="module")
def database() -> Iterator[Database]:
    """One engine for all days."""
    made = Database()
    yield made
    made.close()


def all_cases(seed: int, database: Database) -> World:
    """A day in which every party is some case, others in the next one."""
    names, first = tuple(DRAWN), 5 * seed % len(DRAWN)
    return World(seed, database, cases=names[first:] + names[:first])


def test_every_case_occurs_and_what_must_hold_holds(database: Database) -> None:
    """In a few days, so that none is only thought of."""
    days = [all_cases(seed, database).play() for seed in SEEDS]

    assert {day.seed: day.broken for day in days if day.broken} == {}
    assert WAYS - {way for day in days for way in day.people} == set()
    assert WAYS - set(PEOPLE) == set()


def test_a_plain_day_is_what_it_was_before_there_were_cases(database: Database) -> None:
    """Its parties draw by themselves, whatever those of other days do."""
    plain = [one for seed in range(4) for one in World(seed, database, cases=()).planned]
    cast = [one for seed in range(4) for one in World(seed, database).planned]

    assert not any(party.case.name for party in plain)
    assert any(party.case.name for party in cast)
    assert [(one.fate, one.lead, one.files_at) for one in plain] == [(one.fate, one.lead, one.files_at) for one in cast]


def first_of_all(_intent: Intent, matches: Any, _wanted: object) -> list[Any]:
    """A service that never asks which dive is meant, and takes the first that it finds."""
    return list(matches[:1])


def test_a_text_that_moves_a_dive_that_nobody_meant_is_a_violation(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever its rows say of it."""
    monkeypatch.setattr(texting, "meant_by", first_of_all)
    monkeypatch.setattr(texting, "start_by_text", lambda *_: None)

    assert says_within(8, "meant: ", database, ("two", "two_clubs"))


@pytest.mark.parametrize(
    ("kind", "becomes", "says"), [(Kind.WORRY, Kind.UNCLEAR, "cry: "), (Kind.UNCLEAR, Kind.WORRY, "meant: ")]
)
def test_a_cry_that_is_not_heard_or_heard_where_none_is_is_a_violation(
    database: Database, monkeypatch: pytest.MonkeyPatch, kind: Kind, becomes: Kind, says: str
) -> None:
    """Both ways: a missed cry, and a false alarm by words that deny it."""
    monkeypatch.setattr(inbound, "read", lambda words: as_if(READ(words), kind, becomes))

    assert says_within(4, says, database, ("cries",))


def test_a_call_for_help_about_what_is_over_waits_for_no_database(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is told in the outage; by a keeper that forgets what is over it would not be, and that is a violation."""
    told = World(0, database, cases=("afterwards",), kinds=("database_away",)).play()
    monkeypatch.setattr(standing_in, "Ladder", lambda kept: Ladder([one for one in kept if one.closed_at is None]))
    waits = World(0, database, cases=("afterwards",), kinds=("database_away",)).play()

    assert (told.people["afterwards"] > 0, told.broken) == (True, [])
    assert any(line.startswith("late: the alarm of dive number") for line in waits.broken)


def test_who_calls_for_help_by_an_unknown_phone_waits_for_no_database(
    database: Database, monkeypatch: pytest.MonkeyPatch
) -> None:
    """They are answered in the outage; by a keeper that tells nobody they are not, and that is a violation."""
    told = World(0, database, cases=("unknown",), kinds=("database_away",)).play()
    monkeypatch.setattr(standing_in.UnheardHelp, "drafts", lambda *_: [])
    waits = World(0, database, cases=("unknown",), kinds=("database_away",)).play()

    assert (told.people["unknown"] > 0, told.broken) == (True, [])
    assert any(line.startswith("late: the alarm of dive +44") for line in waits.broken)


def says_within(days: int, says: str, database: Database, cases: tuple[str, ...]) -> bool:
    """Whether the judge says so of one of the first days without a fault."""
    worlds = (World(seed, database, cases=cases, kinds=()) for seed in range(days))
    return any(line.startswith(says) for world in worlds for line in world.play().broken)


def as_if(intent: Intent, kind: Kind, becomes: Kind) -> Intent:
    """Read as another kind."""
    return replace(intent, kind=becomes) if intent.kind is kind else intent


def test_a_run_says_which_ways_never_occurred() -> None:
    """A case that no day reaches must show."""
    day = replace(a_day(), people=Counter({"bare": 1}))

    lines = Report([day], wall_s=1.0).lines()

    assert f"1 of {len(PEOPLE)} ways of people occurred:" in lines
    assert any(line.startswith("  never: ") and "two_clubs" in line and "bare" not in line for line in lines)
