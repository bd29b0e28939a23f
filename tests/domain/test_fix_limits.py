"""Fixes that no alarm could use: times and accuracies that mean nothing, and places from long before the start."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from service.documents.pack_gpx import to_gpx, utc
from service.domain.dive import Refusal
from service.domain.dive import commands as do
from service.domain.handover import Situation
from service.domain.people import Via
from service.domain.place.conditions import KNOT_M_S, Current
from service.domain.place.fix import BEFORE_START, FAR_M, OFF_BY_MOST, Doubt
from service.domain.place.geodesy import destination
from service.domain.place.position import Position, decimal
from service.domain.plan import DivePlan
from tests.domain.builders import (
    DUE_OUT,
    NOW,
    PLAN,
    RAISE_BY,
    SITE,
    at,
    contact,
    diver,
    filed,
    in_water,
    overdue,
)
from tests.domain.rescue_dives import pack_of

BY = diver("Send my position", via=Via.PAGE)
PLACE = Position(47.124, -20.543)
ENTRY = Position(47.12345, -20.54321)


@pytest.mark.parametrize("zone", ["Atlantic/Azores", "Pacific/Auckland"])
@pytest.mark.parametrize(
    "fix_at",
    [
        datetime(1, 1, 1, tzinfo=UTC),
        datetime(9999, 12, 31, 23, 59, tzinfo=UTC),
        NOW - OFF_BY_MOST - timedelta(minutes=1),
        NOW + OFF_BY_MOST + timedelta(minutes=1, seconds=1),
    ],
    ids=["the first day of all", "the last", "over a year ago", "over a year ahead"],
)
def test_a_time_that_no_clock_of_the_site_shows_is_refused_and_the_alarm_goes_out(zone: str, fix_at: datetime) -> None:
    """It would have to be put into words by every alert, and into the pack."""
    story = filed(replace(PLAN, site=replace(SITE, zone=zone)))
    story.does(do.Start(diver("IN 2")), at())

    decision = story.does(do.ReportFix(BY, PLACE, fix_at=fix_at), at(seconds=1))

    assert isinstance(decision, Refusal)
    assert decision.code == "fix_time"
    story.runs_to(at(RAISE_BY))
    assert story.dive.alarmed
    assert pack_of(story, RAISE_BY).where.position == ENTRY


@pytest.mark.parametrize("accuracy_m", [FAR_M + 1, 1e308, float("inf"), float("nan"), -1])
def test_an_accuracy_that_no_search_could_use_is_refused(accuracy_m: float) -> None:
    """What is known stays."""
    story = in_water()

    decision = story.does(do.ReportFix(BY, PLACE, accuracy_m), at(1))

    assert isinstance(decision, Refusal)
    assert decision.code == "fix_accuracy"
    assert story.dive.fixes == ()


def test_the_farthest_time_and_the_worst_accuracy_are_taken() -> None:
    """Both can be said."""
    story = in_water()

    story.does(do.ReportFix(BY, PLACE, FAR_M, at(1) - OFF_BY_MOST), at(1))

    assert len(story.dive.fixes) == 1


@pytest.mark.parametrize(
    ("before", "used"),
    [(BEFORE_START, True), (BEFORE_START + timedelta(seconds=1), False), (timedelta(hours=3), False)],
    ids=["an hour", "a second more", "from home"],
)
def test_a_position_from_long_before_the_start_is_not_where_they_went_in(before: timedelta, *, used: bool) -> None:
    """A phone that sent where it was at breakfast must not send rescue there."""
    story = filed(PLAN)
    home = destination(ENTRY, 90, 40_000)
    story.does(do.ReportFix(BY, home), at())

    story.does(do.Start(diver("IN 2")), at() + before)

    last = story.dive.last_position
    assert last is not None
    assert (last.position == home) is used
    assert (last.position == ENTRY) is not used


@pytest.mark.parametrize(
    ("plan", "before", "used"),
    [
        (PLAN, timedelta(minutes=59), True),
        (PLAN, timedelta(hours=6), False),
        (replace(PLAN, time_in_at=at(20)), timedelta(hours=2), True),
        (replace(PLAN, time_in_at=at(300)), timedelta(minutes=5), True),
        (replace(PLAN, time_in_at=at(300)), timedelta(hours=6), False),
    ],
    ids=["just now", "the evening before", "before the planned time", "help long before that time", "before both"],
)
def test_with_no_start_a_position_of_the_evening_before_is_not_where_they_are(
    plan: DivePlan, before: timedelta, *, used: bool
) -> None:
    """They went in early, nobody texted IN, and somebody ashore calls for help: at the site, not at home."""
    story = filed(plan)
    home = destination(ENTRY, 90, 40_000)
    story.does(do.ReportFix(BY, home), at())

    drafts = story.said(do.RaiseNow(contact(0, "SOS no answer")), at() + before)

    assert (story.dive.fix is not None, story.dive.last_position is not None) == (used, used)
    assert any(decimal(home) in draft.text for draft in drafts) is used
    assert any(decimal(ENTRY) in draft.text for draft in drafts) is not used
    [fix] = pack_of(story, before / timedelta(minutes=1)).fixes
    assert fix.doubt is (None if used else Doubt.EARLY)


def test_nobody_drifts_before_the_start() -> None:
    """A position from the shore is where they went in, and the drift begins when they did."""
    story = filed(replace(PLAN, site=replace(PLAN.site, current=Current(90, 2))))
    story.does(do.ReportFix(BY, ENTRY, 10), at())
    story.does(do.Start(diver("IN 2")), at(55))

    pack = pack_of(story, 60)

    assert pack.where.at == at()
    assert round(pack.pictures[0].drift_m) == round(2 * KNOT_M_S * 300)
    assert f"<time>{utc(at(55))}</time>" in to_gpx(pack).decode()


def test_where_nobody_is_known_to_be_in_the_water_nothing_drifts() -> None:
    """An alarm without a start: the place is told, and no search area."""
    story = filed(PLAN)
    story.does(do.ReportFix(BY, ENTRY, 10), at())
    story.does(do.RaiseNow(contact(0, "SOS")), at(30))

    assert pack_of(story, 40).pictures == ()


def test_how_far_from_the_site_is_said_of_the_position_that_is_told() -> None:
    """Not of a more exact one of the same moment, which stays the last known."""
    story = overdue(RAISE_BY)
    story.does(do.ReportFix(contact(0, via=Via.PAGE), destination(ENTRY, 0, 1_000), 5), at(RAISE_BY + 2))

    drafts = story.said(do.ReportFix(contact(1, via=Via.PAGE), destination(ENTRY, 180, 5_000), 900), at(RAISE_BY + 3))

    assert drafts
    assert all("5.0 km S of Lantern Cove." in draft.text for draft in drafts)


def test_a_sweep_that_is_late_makes_nobody_say_that_they_are_not_overdue() -> None:
    """The page still answers while the clock's work is undone."""
    late = pack_of(in_water(), DUE_OUT + 90)

    assert late.situation is Situation.OVERDUE
    assert late.headline == "Overdue divers: Anna Holt, 2 divers"
    assert "I am reporting overdue divers." in late.script
    assert pack_of(in_water(), DUE_OUT - 1).situation is Situation.IN_WATER


def test_who_was_asked_and_then_has_longer_is_not_overdue() -> None:
    """The phase only rises; due out may move on."""
    story = in_water()
    story.runs_to(at(DUE_OUT + 2))
    story.does(do.Extend(diver("LATE 20"), 20), at(DUE_OUT + 3))
    extension = story.dive.extension
    assert extension is not None
    story.does(do.NoteHanded(extension.step, "contact-0"), at(DUE_OUT + 3, seconds=5))

    assert pack_of(story, DUE_OUT + 4).situation is Situation.IN_WATER
    assert pack_of(story, DUE_OUT + 20).situation is Situation.OVERDUE
