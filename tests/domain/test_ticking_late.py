"""Catching up: after an outage each person hears one message, of the gravest step that is due, with true times."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import pytest

from service.domain.dive import Phase, next_due_at
from service.domain.dive import commands as do
from service.domain.grace import Step
from tests.domain.builders import (
    CONTACT_KEYS,
    DISTRESS,
    DUE_OUT,
    HAND_UP,
    NOW,
    PARTY_KEYS,
    PLANNED,
    RAISE_BY,
    at,
    contact,
    filed,
    in_water,
    keys,
    kinds,
    overdue,
    step_of,
)

PARTY = sorted(PARTY_KEYS)


@dataclass(frozen=True)
class Outage:
    """From when to when no sweep ran, and what the first one after it must say."""

    last: float
    first: float
    told: dict[str, str]  # person or persons to the step they hear of
    phase: Phase


def expected(
    party: str | None = None, contacts: str | None = None, count: int = 3, admins: str | None = None
) -> dict[str, str]:
    """Who hears of which step."""
    told = dict.fromkeys(PARTY_KEYS, party or "") | dict.fromkeys(CONTACT_KEYS[:count], contacts or "")
    told |= {"admins": admins or ""}
    return {key: step for key, step in told.items() if step}


OUTAGES = {
    "20 min over the heads-up": Outage(30, 49.9, expected("heads_up"), Phase.IN_WATER),
    "20 min over due out": Outage(35, DUE_OUT + 4, expected("due_out"), Phase.UNCERTAINTY),
    "20 min over the second call": Outage(39, DUE_OUT + 9, expected("second_call"), Phase.UNCERTAINTY),
    "20 min over the alert": Outage(50, 70 - 0.1, expected("second_call", "alert", 1), Phase.ALERT),
    "20 min over two contacts' turns": Outage(55, 75 - 0.1, expected(contacts="alert", count=2), Phase.ALERT),
    "20 min until distress": Outage(60, DISTRESS, expected(contacts="distress"), Phase.DISTRESS),
    "40 min until the third contact's turn": Outage(36, 76, expected("second_call", "alert", 3), Phase.ALERT),
    "40 min over distress": Outage(45, 85, expected("second_call", "distress"), Phase.DISTRESS),
    "40 min until the hand-up": Outage(70, HAND_UP, expected(contacts="distress", admins="hand_up"), Phase.DISTRESS),
    "90 min over everything": Outage(30, 120, expected("second_call", "distress", 3, "hand_up"), Phase.DISTRESS),
}


@pytest.mark.parametrize("outage", OUTAGES.values(), ids=OUTAGES)
def test_after_an_outage_each_person_hears_one_message_of_the_gravest_step(outage: Outage) -> None:
    """The first sweep goes straight to where the dive should be, and then nothing more is due at once."""
    story = overdue(outage.last)

    drafts = story.ticks(at(outage.first))

    assert {draft.to.key: draft.step.rpartition("-")[0] for draft in drafts} == outage.told
    assert max(Counter(keys(drafts)).values()) == 1
    assert story.dive.phase is outage.phase
    due_at = next_due_at(story.dive)
    assert due_at is not None
    assert due_at > at(outage.first)


def test_the_times_in_a_late_alarm_are_the_true_ones() -> None:
    """A late alarm says when they were due out and the log says when each step was due."""
    story = in_water()

    drafts = story.ticks(at(100))

    assert all("In 10:00, due out 10:50." in draft.text for draft in drafts if draft.step.startswith("distress"))
    assert {draft.due_at for draft in drafts if draft.step.startswith("distress")} == {at(DISTRESS)}
    assert {draft.text for draft in drafts if draft.step.startswith("second_call")} == {
        "Skerry Bay Divers: overdue since 10:50. Your contacts are being alerted. All out? Text OUT."
    }


def test_steps_that_were_passed_over_are_recorded() -> None:
    """The log lists what an outage swallowed."""
    story = in_water()
    decision = story.does(do.Tick(), at(100))

    assert step_of(decision, Step.SECOND_CALL).passed_over == (Step.HEADS_UP, Step.DUE_OUT)
    assert step_of(decision, Step.DISTRESS).passed_over == (Step.ALERT,)
    assert set(story.dive.steps) == {*(Step.HEADS_UP, Step.DUE_OUT, Step.SECOND_CALL), Step.ALERT, Step.DISTRESS}


def test_steps_that_were_taken_are_not_called_passed_over() -> None:
    """Only what was missed is listed."""
    story = overdue(RAISE_BY)
    decision = story.does(do.Tick(), at(100))

    assert step_of(decision, Step.DISTRESS).passed_over == ()


def test_a_late_hand_up_does_not_say_that_contacts_kept_silent_for_long() -> None:
    """Contacts who are told this very minute have had no time to answer."""
    (hand_up,) = [draft for draft in in_water().ticks(at(120)) if draft.to.key == "admins"]

    assert "NO CONTACT HAS ANSWERED YET" in hand_up.text


@pytest.mark.parametrize(("after_due_out", "count"), [(20, 1), (24.9, 1), (25, 2), (29.9, 2)])
def test_every_contact_whose_turn_came_in_an_outage_is_told_at_once(after_due_out: float, count: int) -> None:
    """An outage between two contacts' turns makes nobody wait for another turn."""
    story = overdue(RAISE_BY)

    decision = story.does(do.Tick(), at(DUE_OUT + after_due_out))

    assert len(step_of(decision, Step.NEXT_CONTACT).to) == count


def test_distress_that_is_hours_late_is_said_once() -> None:
    """Repeats that fell into an outage are not sent one after another."""
    story = overdue(DISTRESS)
    drafts = story.ticks(at(DISTRESS + 300))

    assert [draft.step.rpartition("-")[0] for draft in drafts if draft.to.key == "contact-0"] == ["distress_again"]
    assert next_due_at(story.dive) == at(DISTRESS + 310)


# An assumed start in the outage: filed for NOW, no sweep until then.
ASSUMED = {
    "before the question": (14.9, {}, [], Phase.FILED),
    "over the question": (19.9, dict.fromkeys(PARTY_KEYS, "ask_started"), ["StepTaken"], Phase.FILED),
    "20 min": (
        20,
        dict.fromkeys(PARTY_KEYS, "assumed_start") | dict.fromkeys(CONTACT_KEYS, "start_notice"),
        ["Started"],
        Phase.IN_WATER,
    ),
    "40 min": (
        40,
        dict.fromkeys(PARTY_KEYS, "heads_up") | dict.fromkeys(CONTACT_KEYS, "start_notice"),
        ["Started", "StepTaken"],
        Phase.IN_WATER,
    ),
    "66 min": (
        66,
        dict.fromkeys(PARTY_KEYS, "second_call")
        | {"contact-0": "alert", "contact-1": "late_notice", "contact-2": "late_notice"},
        ["Started", "StepTaken", "StepTaken"],
        Phase.ALERT,
    ),
    "71 min": (
        71,
        dict.fromkeys(PARTY_KEYS, "second_call")
        | {"contact-0": "alert", "contact-1": "alert", "contact-2": "late_notice"},
        ["Started", "StepTaken", "StepTaken"],
        Phase.ALERT,
    ),
    "90 min": (
        90,
        dict.fromkeys(PARTY_KEYS, "second_call") | dict.fromkeys(CONTACT_KEYS, "distress"),
        ["Started", "StepTaken", "StepTaken"],
        Phase.DISTRESS,
    ),
}


@pytest.mark.parametrize(("first", "told", "events", "phase"), ASSUMED.values(), ids=ASSUMED)
def test_a_start_that_is_assumed_late_goes_straight_to_where_the_dive_should_be(
    first: float, told: dict[str, str], events: list[str], phase: Phase
) -> None:
    """A plan whose time in fell into an outage counts from its planned time, and nobody hears two messages."""
    story = filed(PLANNED)
    before = len(story.told)

    assert kinds(story.does(do.Tick(), at(first))) == events

    drafts = [draft for _, draft in story.told[before:]]
    names = {draft.to.key: draft.step.rstrip("0123456789").rstrip("-") for draft in drafts}
    assert names == told
    assert all(count == 1 for count in Counter(keys(drafts)).values())
    assert story.dive.phase is phase
    assert story.dive.started_at == (NOW if first >= 20 else None)


@pytest.mark.parametrize("asked", [True, False], ids=["asked in time", "outage over the question"])
def test_a_question_that_was_passed_over_is_recorded_with_the_start(asked: bool) -> None:  # noqa: FBT001 - a table
    """The log says whether the party was asked before its start was assumed."""
    story = filed(PLANNED)
    if asked:
        story.ticks(at(15))
    story.ticks(at(20))

    (started,) = [event for event in story.events if hasattr(event, "assumed")]
    assert getattr(started, "passed_over", None) == (() if asked else (Step.ASK_STARTED,))
    assert Step.ASK_STARTED in story.dive.steps


def test_an_answer_in_an_outage_is_not_forgotten_by_the_first_sweep() -> None:
    """A contact who had answered before the outage is not passed over for the next one."""
    story = overdue(RAISE_BY)
    story.does(do.Acknowledge(contact()), at(RAISE_BY + 1))

    assert story.ticks(at(DISTRESS - 0.1)) == []
