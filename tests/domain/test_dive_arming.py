"""Armed: only when a contact holds the plan; otherwise the diver hears in time to phone somebody."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.dive import Phase, next_due_at
from service.domain.dive import commands as do
from service.domain.grace import GracePeriods
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from tests.domain.builders import (
    CONTACT_KEYS,
    CONTACT_PHONES,
    PLAN,
    STRANGER_PHONE,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    keys,
    kinds,
    overdue,
)

NOT_ARMED = (
    "Skerry Bay Divers: NOT ARMED: {}. Phone somebody ashore before you go in. The clock runs. Not diving? Text OUT"
)


def lose_all(story: Story, minute: float = 0) -> list[list[str]]:
    """Texts to every contact fail; gives the kinds of what happened."""
    return [kinds(story.does(do.NoteUnreachable(key, "refused"), at(minute))) for key in CONTACT_KEYS]


@pytest.mark.parametrize("person", CONTACT_KEYS)
def test_a_dive_is_armed_once_any_contact_has_been_handed_the_start_notice(person: str) -> None:
    """The lead hears who holds the plan, when the alarm goes out, and the finish that counts from any phone."""
    story = in_water(armed=False)

    drafts = story.said(do.NoteHanded("start_notice", person), at(seconds=3))

    name = {"contact-0": "Cleo Marsh", "contact-1": "Dov Lind", "contact-2": "Edda Rowe"}[person]
    words = f"ARMED. 2 in, due out 10:50. {name} has your plan. Alarm 11:05. When all are out text OUT 731905"
    assert [(draft.to.key, draft.text) for draft in drafts] == [("diver-0", f"Skerry Bay Divers: {words}")]


@pytest.mark.parametrize(
    ("step", "person"),
    [
        ("start_notice", "diver-0"),
        ("start_notice", "contact-9"),
        ("start_notice", "phone:+447700900077"),
        ("alert-7", "contact-0"),
        ("stand_down-7", "contact-0"),
        ("extension-1", "contact-0"),
        ("filed-1", "diver-0"),
    ],
)
def test_nothing_else_that_is_handed_arms(step: str, person: str) -> None:
    """Only a contact's start notice means that somebody ashore holds the plan."""
    story = in_water(armed=False)

    assert kinds(story.does(do.NoteHanded(step, person), at(seconds=3))) == []
    assert story.dive.armed_at is None


def test_a_dive_is_armed_once() -> None:
    """The second contact's start notice is no news for the diver."""
    story = in_water()

    assert kinds(story.does(do.NoteHanded("start_notice", "contact-1"), at(seconds=5))) == []


def test_a_plan_that_is_not_running_is_not_armed() -> None:
    """Before the start and after the end nothing arms."""
    story = filed()
    assert kinds(story.does(do.NoteHanded("start_notice", "contact-0"), at(1))) == []

    story.does(do.CallOff(diver("NOGO")), at(2))
    assert kinds(story.does(do.NoteHanded("start_notice", "contact-0"), at(3))) == []


@pytest.mark.parametrize(("second", "said"), [(29, False), (30, True), (31, True)], ids=["before", "at", "after"])
def test_the_diver_hears_within_half_a_minute_that_nobody_could_be_told(second: int, said: bool) -> None:  # noqa: FBT001 - a table
    """With no contact told in 30 s the diver is to phone somebody; it is said once."""
    story = in_water(armed=False)

    drafts = story.ticks(at(seconds=second))

    assert [(d.to.key, d.text) for d in drafts] == (
        [("diver-0", NOT_ARMED.format("no contact could be told yet"))] if said else []
    )
    assert next_due_at(story.dive) == (at(40) if said else at(seconds=30))


def test_the_diver_hears_at_once_when_every_contact_fails() -> None:
    """Nobody waits for the half minute when there is nothing left to wait for."""
    story = in_water(armed=False)

    assert lose_all(story) == [["PersonUnreachable"], ["PersonUnreachable"], ["PersonUnreachable", "NotArmed"]]
    assert story.texts_to("diver-0")[-1] == NOT_ARMED.format("no contact can be reached by text")


def test_contacts_known_to_be_unreachable_before_the_start_are_not_waited_for() -> None:
    """The sweep right after the start says that nobody can be reached."""
    story = filed()
    lose_all(story)
    story.does(do.Start(diver("IN")), at(1))

    assert next_due_at(story.dive) == at(1)
    assert kinds(story.does(do.Tick(), at(1))) == ["NotArmed"]


def test_a_dive_may_still_be_armed_after_it_was_said_not_to_be() -> None:
    """A start notice that gets through late arms, and the diver hears that too."""
    story = in_water(armed=False)
    story.ticks(at(seconds=30))

    assert kinds(story.does(do.NoteHanded("start_notice", "contact-1"), at(2))) == ["Armed"]
    assert "ARMED. 2 in" in story.texts_to("diver-0")[-1]


def test_an_armed_dive_is_never_said_not_to_be() -> None:
    """Contacts that are lost later are told one by one; the plan is ashore."""
    story = in_water()

    assert lose_all(story, 5) == [["PersonUnreachable"]] * 3


def test_once_overdue_nobody_is_told_to_phone_before_going_in() -> None:
    """A dive that was never armed and is overdue is past that advice."""
    story = in_water(
        replace(PLAN, run_time=timedelta(minutes=5)), GracePeriods(arming_within=timedelta(minutes=6)), armed=False
    )
    story.ticks(at(5))

    assert story.dive.phase is Phase.UNCERTAINTY
    assert kinds(story.does(do.Tick(), at(6))) == []


def test_armed_in_the_middle_of_an_alarm_is_recorded_and_not_said() -> None:
    """A diver who has raised the alarm does not read that all is in order."""
    story = in_water(armed=False)
    story.does(do.RaiseNow(diver("SOS")), at(seconds=5))

    assert kinds(story.does(do.NoteHanded("start_notice", "contact-0"), at(seconds=6))) == ["Armed"]
    assert not any("ARMED. 2 in" in text for text in story.texts_to("diver-0"))


def by_text(key: str | None, phone: str) -> Actor:
    """Whoever sends the start code."""
    return Actor(Role.DIVER if key else Role.STRANGER, "somebody", Via.TEXT, key, phone, "IN 482139")


STARTERS = {
    "the lead": (diver("IN"), ["diver-0"]),
    "another diver": (diver("IN", 1), ["diver-0", "diver-1"]),
    "another diver on a page": (diver("in", 1, Via.PAGE), ["diver-0"]),
    "a borrowed phone": (by_text(None, STRANGER_PHONE), ["diver-0", f"phone:{STRANGER_PHONE}"]),
    "a contact's phone": (by_text("contact-1", CONTACT_PHONES[1]), ["contact-1", "diver-0"]),
}


@pytest.mark.parametrize(("who", "told"), STARTERS.values(), ids=STARTERS)
def test_the_answer_to_a_start_reaches_the_lead_and_whoever_sent_it(who: Actor, told: list[str]) -> None:
    """The phone in the hand gets the word that its owner waits for, and so does the phone that runs the dive."""
    armed, missing = filed(), filed()
    for story in (armed, missing):
        story.does(do.Start(who), at())

    assert keys(armed.said(do.NoteHanded("start_notice", "contact-0"), at(seconds=2))) == told
    assert keys(missing.ticks(at(seconds=30))) == told


COUNTS = [(None, 2), (1, 1), (2, 2), (3, 3), (12, 12)]


@pytest.mark.parametrize(("count", "heads"), COUNTS)
def test_a_start_may_say_how_many_go_in(count: int | None, heads: int) -> None:
    """The count of the start is the party's from then on, in every text."""
    story = filed()
    story.does(do.Start(diver("IN"), count), at())

    assert story.dive.head_count == heads
    assert ("1 diver)" if heads == 1 else f"+ {heads - 1} ({heads} divers)") in story.texts_to("contact-0")[0]


@pytest.mark.parametrize("count", [-1, 0, 13])
def test_a_start_with_an_impossible_count_is_refused(count: int) -> None:
    """From one to twelve divers go in."""
    story = filed()

    assert kinds(story.does(do.Start(diver("IN"), count), at())) == ["refused: head_count"]


def test_a_start_with_a_position_keeps_it() -> None:
    """The place where they went in is the first known position, and it is not answered by itself."""
    story = filed()
    drafts = story.said(do.Start(diver("IN"), None, Position(47.2, -20.6)), at())

    assert keys(drafts) == list(CONTACT_KEYS)
    assert story.dive.fix is not None
    assert story.dive.fix.position == Position(47.2, -20.6)


def test_the_settings_of_a_dive_are_those_it_was_filed_with() -> None:
    """What an admin changes later holds for later plans; the settings are in the first event."""
    grace = GracePeriods().shortened(timedelta(minutes=10))

    assert overdue(20, grace=grace).dive.grace is grace


def test_the_time_of_the_start_is_what_counts_not_the_planned_one() -> None:
    """Going in late moves due out along."""
    story = filed(replace(PLAN, time_in_at=at(-5)))
    story.does(do.Start(contact(words="IN 482139")), at(7))

    assert (story.dive.started_at, story.dive.due_out_at, story.dive.assumed) == (at(7), at(57), False)
