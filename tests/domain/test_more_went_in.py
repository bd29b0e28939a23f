"""Another number went in than the plan has: everybody who counts on it hears so.

Where more went in than the start said, the count grows.
"""

from __future__ import annotations

import json

import pytest

from service.documents.pack_geojson import to_geojson
from service.domain.dive import Refusal
from service.domain.dive import commands as do
from service.domain.dive.events import PartlyOut, StartSaid
from service.domain.dive.evolve import evolve
from service.domain.dive.state import LastHeard
from service.domain.wording import MessageKind
from tests.domain.builders import (
    CONTACT_KEYS,
    DISTRESS,
    PLANNED,
    RAISE_BY,
    Story,
    at,
    diver,
    filed,
    in_water,
    kinds,
    overdue,
)
from tests.domain.rescue_dives import pack_of


def assumed() -> Story:
    """A plan for two whose start nobody said."""
    story = filed(PLANNED)
    story.runs_to(at(20))
    assert story.dive.assumed
    return story


def test_a_start_said_after_it_was_assumed_takes_a_larger_count_and_moves_no_time() -> None:
    """Three went in where two were planned: OUT 2 is no finish from then on."""
    story = assumed()
    due_out_at = story.dive.due_out_at

    told = story.said(do.Start(diver("IN P3"), 3), at(21))

    assert (story.dive.head_count, story.dive.due_out_at, story.dive.start_said) == (3, due_out_at, True)
    assert story.dive.last_heard == LastHeard(at(21), "Anna Holt", "IN P3")
    assert {draft.to.key: draft.text for draft in told}["diver-0"] == (
        "Skerry Bay Divers: The clock has run since 10:00 for 3 divers. Due out 10:50."
        " Need longer? Text LATE and minutes."
    )
    story.does(do.Finish(diver("OUT 2"), 2), at(30))
    assert isinstance(story.events[-1], PartlyOut)


@pytest.mark.parametrize("count", [None, 1, 2])
def test_a_start_said_after_it_was_assumed_takes_no_smaller_count(count: int | None) -> None:
    """The answer says how many the clock runs for."""
    story = assumed()

    [answer] = story.said(do.Start(diver("IN"), count), at(21))

    assert story.events[-1] == StartSaid(at(21), diver("IN"))
    assert (story.dive.head_count, story.dive.start_said) == (2, True)
    assert "for 2 divers" in answer.text


def test_the_contacts_hear_of_more_than_they_were_told_of() -> None:
    """They hold a plan for two, so they get the new count, with the alarm time that stays."""
    story = assumed()

    told = story.said(do.Start(diver("IN P3"), 3), at(21))

    ashore = {draft.to.key: draft for draft in told if draft.to.key in CONTACT_KEYS}
    assert set(ashore) == set(CONTACT_KEYS)
    assert {draft.kind for draft in ashore.values()} == {MessageKind.START_NOTICE}
    assert ashore[CONTACT_KEYS[0]].text.startswith(
        "Skerry Bay Divers: 10:21 Anna Holt says: 3 divers went in, more than we knew of. Alarm time stays 11:05."
    )


@pytest.mark.parametrize("minute", [RAISE_BY, DISTRESS])
def test_in_an_alarm_they_are_to_tell_rescue(minute: int) -> None:
    """Who searches for two must look for three."""
    story = overdue(minute)

    told = story.said(do.Start(diver("IN P3"), 3), at(minute + 1))

    ashore = [draft for draft in told if draft.to.key in CONTACT_KEYS]
    assert [draft.kind for draft in ashore] == [MessageKind.ALERT] * len(CONTACT_KEYS)
    assert all("3 divers went in" in draft.text and "Tell rescue" in draft.text for draft in ashore)


@pytest.mark.parametrize("minute", [20, 55])
def test_more_may_go_in_after_a_start_that_was_said(minute: int) -> None:
    """The larger party is the safe side; the time that was said stays, and no assumption is made of it."""
    story = overdue(minute)
    started_at, due_out_at = story.dive.started_at, story.dive.due_out_at

    assert kinds(story.does(do.Start(diver("IN P3"), 3), at(minute + 1))) == ["StartSaid"]
    assert (story.dive.head_count, story.dive.start_said) == (3, False)
    assert (story.dive.started_at, story.dive.due_out_at) == (started_at, due_out_at)


@pytest.mark.parametrize(
    ("count", "words"),
    [
        (None, "More in? Text IN and P with the number."),
        (2, "More in? Text IN and P with the number."),
        (1, "It stays 2; a smaller count is not taken."),
    ],
)
def test_in_again_says_how_many_the_clock_runs_for(count: int | None, words: str) -> None:
    """And how there can be more of them."""
    refused = in_water().does(do.Start(diver("IN"), count), at(20))

    assert isinstance(refused, Refusal)
    assert refused.words == f"The clock has run since 10:00 for 2 divers. Due out 10:50. {words}"


def test_no_party_grows_past_what_a_plan_takes() -> None:
    """A slip of the finger makes no crowd."""
    story = in_water()

    assert kinds(story.does(do.Start(diver("IN P13"), 13), at(20))) == ["refused: head_count"]
    assert story.dive.head_count == 2

    assert kinds(story.does(do.Start(diver("IN P12"), 12), at(21))) == ["StartSaid"]
    assert story.dive.head_count == 12


def test_a_log_of_before_counts_could_grow_folds_as_it_did() -> None:
    """Its entries have no head count."""
    dive = assumed().dive

    after = evolve(dive, StartSaid(at(21), diver("IN")))

    assert (after.head_count, after.start_said) == (dive.head_count, True)


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (1, "1 diver went in; the plan names 2: Anna Holt, Bram Vik. Which of them is not known."),
        (2, "2 divers: Anna Holt, Bram Vik."),
        (3, "3 divers went in; the plan names only 2: Anna Holt, Bram Vik. Who else is not known."),
        (4, "4 divers went in; the plan names only 2: Anna Holt, Bram Vik. Who else is not known."),
    ],
)
def test_rescue_is_told_where_the_names_are_not_those_of_who_went_in(count: int, said: str) -> None:
    """As many names as heads, or the words that say why not: in the facts, read aloud, and on maps."""
    story = filed()
    story.does(do.Start(diver(f"IN P{count}", 1), count), at())
    made = pack_of(story, DISTRESS)
    fact = made.fact("who")

    assert fact is not None
    assert (fact.words, made.script[1]) == (said, said)
    assert json.loads(to_geojson(made))["features"][0]["properties"]["who"] == said


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (1, "Anna Holt (1 diver) went in"),
        (2, "Anna Holt + 1 (2 divers) with Bram Vik went in"),
        (3, "Anna Holt + 2 (3 divers) with Bram Vik went in"),
    ],
)
def test_a_start_notice_names_nobody_as_being_in_who_may_not_be(count: int, said: str) -> None:
    """One diver is not one with another."""
    story = filed()
    story.does(do.Start(diver(f"IN P{count}", 1), count), at())

    assert said in story.texts_to("contact-0")[0]
