"""A plan with no start: asked about, then treated as started or let go; and the plan with no time at all."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.dive import Outcome, Phase, next_due_at
from service.domain.dive import commands as do
from service.domain.grace import GracePeriods, NeverStarted
from service.domain.people import CLOCK
from tests.domain.builders import (
    CONTACT_KEYS,
    NOW,
    PARTY_KEYS,
    PLAN,
    PLANNED,
    RAISE_BY,
    at,
    contact,
    diver,
    filed,
    keys,
    kinds,
)

LAPSE = GracePeriods(never_started=NeverStarted.LAPSE)


@pytest.mark.parametrize(("second", "asked"), [(-1, False), (0, True), (1, True)], ids=["before", "at", "after"])
def test_the_party_is_asked_a_quarter_of_an_hour_after_the_planned_time(second: int, asked: bool) -> None:  # noqa: FBT001 - a table
    """Every phone of the party is asked whether they went in, and the dive stays filed."""
    story = filed(PLANNED)

    drafts = story.ticks(at(15, second))

    assert keys(drafts) == (list(PARTY_KEYS) if asked else [])
    assert all("you planned to go in at 10:00. Went in? Text IN. Not diving? Text NOGO 7K." in d.text for d in drafts)
    assert all(draft.expires_at == at(20) for draft in drafts)
    assert story.dive.phase is Phase.FILED


@pytest.mark.parametrize(("second", "started"), [(-1, False), (0, True), (1, True)], ids=["before", "at", "after"])
def test_with_no_answer_the_dive_counts_as_started_at_its_planned_time(second: int, started: bool) -> None:  # noqa: FBT001 - a table
    """Five minutes after the question the clock runs, from the planned time, and everybody hears of it."""
    story = filed(PLANNED)
    story.runs_to(at(15))

    drafts = story.ticks(at(20, second))

    assert keys(drafts) == (sorted([*CONTACT_KEYS, *PARTY_KEYS]) if started else [])
    assert story.dive.phase is (Phase.IN_WATER if started else Phase.FILED)
    assert story.dive.started_at == (NOW if started else None)
    assert story.dive.raise_by_at == (at(RAISE_BY) if started else None)
    assert story.dive.assumed is started
    assert (story.dive.started_by == CLOCK) is started


def test_contacts_are_told_that_a_start_is_only_planned() -> None:
    """A start notice does not claim what nobody has seen."""
    story = filed(PLANNED)
    story.runs_to(at(20))

    assert "planned to go in 10:00" in story.texts_to("contact-0")[0]
    assert "no answer, so the clock runs from 10:00 as planned. Due out 10:50." in story.texts_to("diver-1")[-1]


@pytest.mark.parametrize(("second", "closed"), [(-1, False), (0, True), (1, True)], ids=["before", "at", "after"])
def test_a_club_may_let_a_plan_lapse_instead(second: int, closed: bool) -> None:  # noqa: FBT001 - a table
    """The plan closes by the clock, and the whole party and the contacts hear that no clock runs."""
    story = filed(PLANNED, LAPSE)
    story.runs_to(at(15))

    drafts = story.ticks(at(20, second))

    assert keys(drafts) == (sorted([*CONTACT_KEYS, *PARTY_KEYS]) if closed else [])
    assert all("has lapsed: no start was heard. No clock runs. Ref 7K." in draft.text for draft in drafts)
    assert (story.dive.outcome, story.dive.closed_by) == ((Outcome.LAPSED, CLOCK) if closed else (None, None))


@pytest.mark.parametrize(
    "command", [do.Start(diver("IN")), do.CallOff(diver("NOGO")), do.Finish(diver("OUT"))], ids=["in", "nogo", "out"]
)
def test_an_answer_to_the_question_is_what_counts(command: do.Command) -> None:
    """Whoever answers in time is not assumed to be anything."""
    story = filed(PLANNED)
    story.runs_to(at(15))
    story.does(command, at(19, 59))

    story.ticks(at(20))

    assert not story.dive.assumed
    assert story.dive.started_at in (None, at(19, 59))


def test_a_start_after_it_was_assumed_says_how_to_have_more_time() -> None:
    """IN after an assumed start moves no time, and the answer names the text that does; IN again is refused with it."""
    story = filed(PLANNED)
    story.runs_to(at(20))

    words = "The clock has run since 10:00 for 2 divers. Due out 10:50. Need longer? Text LATE and minutes."
    [answer] = story.said(do.Start(diver("IN")), at(21))
    again = story.does(do.Start(diver("IN")), at(21))

    assert (answer.to.key, answer.text) == ("diver-0", f"Skerry Bay Divers: {words}")
    assert kinds(again) == ["refused: already_started"]
    assert getattr(again, "words", "") == words
    assert story.dive.due_out_at == at(50)


@pytest.mark.parametrize(
    ("said", "expected"),
    [((), "Closed"), (("IN",), "refused: in_the_water"), (("IN", "IN"), "refused: in_the_water")],
    ids=["assumed only", "said", "said twice"],
)
def test_a_start_that_was_said_after_all_is_not_called_off(said: tuple[str, ...], expected: str) -> None:
    """The buddy's NOGO ends an assumed dive, and not one whose lead says that they went in."""
    story = filed(PLANNED)
    story.runs_to(at(20))
    for words in said:
        story.does(do.Start(diver(words)), at(21))

    decision = story.does(do.CallOff(diver("NOGO", 1)), at(22))

    assert kinds(decision) == [expected]
    assert story.dive.live is bool(said)


def test_question_and_assumption_may_fall_together() -> None:
    """A club that gives no time to answer has its dives started without a question."""
    grace = GracePeriods(ask_started_after=timedelta(minutes=20))
    story = filed(PLANNED, grace)

    assert next_due_at(story.dive) == at(20)
    assert kinds(story.does(do.Tick(), at(20))) == ["Started"]


@pytest.mark.parametrize(("second", "closed"), [(-1, False), (0, True), (1, True)], ids=["before", "at", "after"])
def test_a_plan_without_a_time_lasts_a_day(second: int, closed: bool) -> None:  # noqa: FBT001 - a table
    """Nobody is asked about a plan that names no time; a day after filing it is let go."""
    story = filed()
    assert next_due_at(story.dive) == NOW + timedelta(hours=24)

    assert kinds(story.does(do.Tick(), at(24 * 60, second))) == (["Closed"] if closed else [])


def test_a_planned_time_that_was_named_before_filing_still_counts() -> None:
    """A time in some minutes ago is the planned time."""
    story = filed(replace(PLAN, time_in_at=at(-10)))

    assert next_due_at(story.dive) == at(5)


def test_an_alarm_before_the_start_is_not_asked_about() -> None:
    """Once the alarm is up the question whether they went in is not put."""
    story = filed(PLANNED)
    story.does(do.RaiseNow(contact(words="SOS"), "they are not answering"), at(10))
    story.runs_to(at(24))

    assert "ask_started" not in story.steps()
    assert story.dive.started_at is None
