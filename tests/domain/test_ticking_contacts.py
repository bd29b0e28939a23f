"""Contacts who cannot be reached: nobody waits for them, and when none is left the admins hear at once."""

from __future__ import annotations

import pytest

from service.domain.dive import Dive, evolve, next_due_at
from service.domain.dive import commands as do
from service.domain.dive.events import PersonReachable, PersonUnreachable
from service.domain.grace import Step
from service.domain.people import ADMINS
from tests.domain.builders import (
    CONTACT_KEYS,
    DISTRESS,
    RAISE_BY,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    keys,
    kinds,
    overdue,
    step_of,
)

REASONS = ["refused", "opted_out", "no_receipt"]


def lose(story: Story, *people: str, minute: float, reason: str = "refused") -> list[list[str]]:
    """Texts to these people fail; gives the kinds of what happened."""
    return [kinds(story.does(do.NoteUnreachable(person, reason), at(minute))) for person in people]


@pytest.mark.parametrize("reason", REASONS)
def test_a_contact_who_cannot_be_reached_counts_as_not_answering_at_once(reason: str) -> None:
    """The next contact is told in the same moment, however it came out that the first cannot be reached."""
    story = overdue(RAISE_BY)

    assert lose(story, "contact-0", minute=RAISE_BY + 0.5, reason=reason) == [["PersonUnreachable", "StepTaken"]]

    step = story.events[-1]
    assert getattr(step, "to", None) == ("contact-1",)
    assert next_due_at(story.dive) == at(RAISE_BY + 5.5)


def test_a_later_contact_who_cannot_be_reached_is_not_waited_for_either() -> None:
    """Also when the first contact could be reached and did not answer."""
    story = overdue(RAISE_BY + 5)

    lose(story, "contact-1", minute=RAISE_BY + 6)

    assert getattr(story.events[-1], "to", None) == ("contact-2",)


def test_an_earlier_contact_who_is_lost_later_does_not_hurry_the_search() -> None:
    """While the latest contact has time to answer, losing one before them changes nothing."""
    story = overdue(RAISE_BY + 5)

    assert lose(story, "contact-0", minute=RAISE_BY + 6) == [["PersonUnreachable"]]
    assert next_due_at(story.dive) == at(RAISE_BY + 10)


def test_a_first_contact_known_to_be_unreachable_is_told_together_with_the_next() -> None:
    """Twice rather than never: the text may get through after all, but nobody waits for it."""
    story = in_water()
    lose(story, "contact-0", minute=1)
    story.runs_to(at(RAISE_BY))

    assert story.dive.alerted_keys() == {"contact-0", "contact-1"}
    assert next_due_at(story.dive) == at(RAISE_BY + 5)


def test_the_search_ends_with_an_answer_even_if_contacts_are_lost() -> None:
    """Once somebody has the alarm no next contact is sought."""
    story = overdue(RAISE_BY)
    story.does(do.Acknowledge(contact()), at(RAISE_BY + 1))

    assert lose(story, "contact-0", minute=RAISE_BY + 2) == [["PersonUnreachable"]]
    assert next_due_at(story.dive) == at(DISTRESS)


def test_when_no_contact_is_left_the_admins_hear_at_once() -> None:
    """All contacts lost before the alert: alert and hand-up come together, at the raise-by time."""
    story = in_water()
    lose(story, *CONTACT_KEYS, minute=1)
    story.runs_to(at(RAISE_BY - 1))

    drafts = story.ticks(at(RAISE_BY))

    assert keys(drafts) == [ADMINS, *CONTACT_KEYS]
    (hand_up,) = [draft for draft in drafts if draft.to.key == ADMINS]
    assert "NO CONTACT CAN BE REACHED BY TEXT" in hand_up.text


def test_when_the_last_contact_is_lost_in_the_alert_the_admins_hear_at_once() -> None:
    """Each loss moves the search on, and the last hands it up in the same moment."""
    story = overdue(RAISE_BY)

    happened = lose(story, *CONTACT_KEYS, minute=RAISE_BY + 1)

    assert [len(events) for events in happened] == [2, 2, 2]
    assert story.steps()[-1] is Step.HAND_UP
    assert kinds(story.does(do.Tick(), at(RAISE_BY + 1))) == []


def test_no_hand_up_while_one_contact_can_still_be_reached() -> None:
    """The last reachable contact has their time to answer."""
    story = overdue(RAISE_BY)
    lose(story, "contact-0", "contact-1", minute=RAISE_BY + 1)

    assert Step.HAND_UP not in story.steps()
    assert next_due_at(story.dive) == at(DISTRESS)


def test_a_contact_who_becomes_reachable_again_is_waited_for_again() -> None:
    """Whoever writes can be reached: they have the usual time to answer, and distress tells them as it tells all."""
    story = in_water()
    lose(story, *CONTACT_KEYS, minute=1)
    assert kinds(story.does(do.NoteReachable("contact-2"), at(2))) == ["PersonReachable"]
    story.runs_to(at(RAISE_BY))

    assert story.dive.alerted_keys() == set(CONTACT_KEYS)
    assert Step.HAND_UP not in story.steps()
    assert step_of(story.does(do.Tick(), at(DISTRESS)), Step.DISTRESS).to == CONTACT_KEYS


def test_what_is_known_already_or_of_nobody_is_no_event() -> None:
    """A second failure, a stranger, or a success of somebody who was never lost changes nothing."""
    story = in_water()
    lose(story, "contact-0", minute=1)

    assert lose(story, "contact-0", "contact-9", "admins", minute=2) == [[], [], []]
    assert kinds(story.does(do.NoteReachable("contact-1"), at(2))) == []


def test_a_closed_dive_takes_no_note_of_phones() -> None:
    """What becomes of the last texts is the log's, not the dive's."""
    story = in_water()
    lose(story, "contact-0", minute=1)
    story.does(do.Finish(diver()), at(20))

    assert lose(story, "contact-1", minute=21) == [[]]
    assert kinds(story.does(do.NoteReachable("contact-0"), at(21))) == []


def test_the_lead_hears_of_a_contact_who_cannot_be_reached() -> None:
    """Whoever relies on a contact hears in time that they cannot."""
    story = in_water()
    lose(story, "contact-1", minute=1)

    assert story.texts_to("diver-0")[-1] == (
        "Skerry Bay Divers: Dov Lind cannot be reached by text. Phone somebody ashore."
    )


@pytest.mark.parametrize("reason", REASONS)
def test_an_opt_out_of_a_diver_is_told_to_the_contacts(reason: str) -> None:
    """The clock goes on, and the contacts hear that this phone is deaf; a passing failure is not news."""
    story = in_water()
    before = len(story.told)

    assert lose(story, "diver-1", minute=1, reason=reason) == [["PersonUnreachable"]]

    told = [draft for _, draft in story.told[before:]]
    assert keys(told) == (list(CONTACT_KEYS) if reason == "opted_out" else [])
    assert all("Bram Vik (+44 7700 900002) can no longer be reached" in draft.text for draft in told)
    assert next_due_at(story.dive) == at(40)


def test_before_the_dive_only_the_lead_is_told_and_only_of_a_contact() -> None:
    """While still dry they can ask somebody else; of a diver's phone nobody ashore needs to hear yet."""
    story = filed()
    before = len(story.told)
    lose(story, "contact-0", "diver-0", minute=1, reason="opted_out")

    assert keys([draft for _, draft in story.told[before:]]) == ["diver-0"]
    assert story.texts_to("diver-0")[-1].endswith("Cleo Marsh cannot be reached by text. Phone somebody ashore.")
    assert story.dive.unreachable == ("contact-0", "diver-0")


def test_an_event_about_nobody_is_told_to_nobody() -> None:
    """A log that names a person who is not of the dive is read without error."""
    story = in_water()
    before: Dive = story.dive
    story.happens([PersonUnreachable(at(1), "contact-9", "refused"), PersonReachable(at(2), "contact-9")])

    assert story.dive.unreachable == before.unreachable == ()
    assert evolve(before, PersonReachable(at(1), "contact-0")).unreachable == ()


def test_every_contact_is_told_in_the_end_whoever_is_lost_when() -> None:
    """At distress the texts go to all, also to those who could not be reached so far."""
    story = overdue(RAISE_BY)
    lose(story, "contact-0", "contact-2", minute=RAISE_BY + 1)

    drafts = story.ticks(at(DISTRESS))

    assert [draft.to.key for draft in drafts if draft.step.startswith("distress")] == list(CONTACT_KEYS)
    assert [draft.rank for draft in drafts if draft.step.startswith("distress")] == [0, 1, 2]
