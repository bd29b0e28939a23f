"""A contact who dives in the same party: they are told what all are told, and nobody relies on them."""

from __future__ import annotations

from dataclasses import replace

from service.domain.dive import commands as do
from service.domain.grace import GracePeriods
from service.domain.plan import Contact
from tests.domain.builders import BUDDY_PHONE, CONTACT_KEYS, DISTRESS, PLAN, RAISE_BY, Story, at, diver, filed, kinds

BRAM, CLEO = CONTACT_KEYS[:2]
WITH_BRAM = replace(PLAN, contacts=(Contact("Bram Vik", BUDDY_PHONE), *PLAN.contacts[:2]))
"""The first contact is of the party, the second (Cleo Marsh) and third are ashore."""


def in_water() -> Story:
    """The party has gone in."""
    story = filed(WITH_BRAM)
    story.does(do.Start(diver("IN")), at(0))
    return story


def armed() -> Story:
    """And a contact ashore has the plan."""
    story = in_water()
    story.does(do.NoteHanded("start_notice", CLEO), at(seconds=5))
    return story


def test_only_a_contact_ashore_arms_the_dive() -> None:
    """A phone in the car is no shore contact, whoever's it is."""
    story = in_water()

    assert kinds(story.does(do.NoteHanded("start_notice", BRAM), at(seconds=3))) == []
    assert kinds(story.does(do.NoteHanded("start_notice", CLEO), at(seconds=5))) == ["Armed"]


def test_a_dive_whose_contacts_ashore_are_lost_is_not_armed() -> None:
    """That is said at once, while they can still come out; the diver who is left is not waited for."""
    story = in_water()
    story.does(do.NoteHanded("start_notice", BRAM), at(seconds=3))
    for key in CONTACT_KEYS[1:]:
        last = story.does(do.NoteUnreachable(key, "refused"), at(seconds=9))

    assert "NotArmed" in kinds(last)


def test_more_time_is_in_force_only_once_somebody_ashore_has_it() -> None:
    """As the start."""
    story = armed()
    story.does(do.Extend(diver("LATE 20"), 20), at(30))

    assert kinds(story.does(do.NoteHanded("extension-1", BRAM), at(31))) == []
    assert kinds(story.does(do.NoteHanded("extension-1", CLEO), at(31))) == ["ExtensionTookEffect"]


def test_the_alert_goes_on_to_the_first_contact_ashore_at_once() -> None:
    """The diver has it too, and nobody waits for their answer."""
    story = armed()

    story.runs_to(at(RAISE_BY))

    assert [told.key for told in story.dive.alerted] == [BRAM, CLEO]
    story.runs_to(at(RAISE_BY) + GracePeriods().next_contact_every)
    assert [told.key for told in story.dive.alerted] == list(CONTACT_KEYS)
    story.runs_to(at(DISTRESS))
    assert story.dive.distress_at == at(DISTRESS)


def test_an_alarm_that_only_a_diver_could_hear_is_handed_up_at_once() -> None:
    """No contact ashore is left."""
    story = armed()
    for key in CONTACT_KEYS[1:]:
        story.does(do.NoteUnreachable(key, "refused"), at(20))

    story.runs_to(at(RAISE_BY + 1))

    assert [told.key for told in story.dive.alerted] == list(CONTACT_KEYS)
    assert "admins" in {draft.to.key for _, draft in story.told}


def test_in_an_exercise_one_person_plays_both_parts() -> None:
    """Nobody goes in."""
    story = filed(WITH_BRAM, drill=True)
    story.does(do.Start(diver("IN")), at(0))

    assert kinds(story.does(do.NoteHanded("start_notice", BRAM), at(seconds=3))) == ["Armed"]
