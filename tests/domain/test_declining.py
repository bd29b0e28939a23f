"""A contact who will not be one is passed by, hears only the end of what they knew of, and may agree again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from service.domain.dive import Refusal, decide
from service.domain.dive import commands as do
from service.domain.dive.events import Event, Filed, PersonReachable
from service.domain.encoding import segments
from service.domain.people import Channel
from service.domain.plan import Contact
from service.domain.wording import LinkKind, MessageKind, messages_for
from service.domain.wording.drafts import LINK_ROOM
from tests.domain.builders import (
    CONTACT_KEYS,
    DISTRESS,
    NOW,
    PLAN,
    RAISE_BY,
    Story,
    at,
    contact,
    diver,
    file_plan,
    filed,
    in_water,
    kinds,
)

CLEO = "contact-0"
NO = do.NoteUnreachable(CLEO, "declined")
YES = do.NoteReachable(CLEO, agreed=True)


def filed_by(command: do.FilePlan) -> tuple[Event, Story]:
    """The event that a command is, and the dive that it makes."""
    decision = decide(None, command, NOW)
    assert not isinstance(decision, Refusal)
    story = filed(command.plan, drill=command.drill)
    return decision[0], story


def test_each_newcomer_is_told_once_who_named_them_and_what_happens() -> None:
    """The others of the plan hear nothing at filing."""
    event, story = filed_by(replace(file_plan(), newcomers=CONTACT_KEYS[1:]))

    told = [draft for draft in messages_for(story.dive, event) if draft.to.key != "diver-0"]

    assert [(draft.to.key, draft.kind, draft.link) for draft in told] == [
        (key, MessageKind.OTHER, LinkKind.CONTACT) for key in CONTACT_KEYS[1:]
    ]
    words = (
        "Skerry Bay Divers: Anna Holt named you as a shore contact. You get the plan when they go in. If they are not"
        " out in time we text you: call them, then rescue. Reply AGREE 7K or DECLINE 7K."
    )
    assert {draft.text for draft in told} == {words}


def test_an_introduction_has_room_for_its_link() -> None:
    """Two segments hold it all with the usual names."""
    event, story = filed_by(replace(file_plan(), newcomers=(CLEO,)))

    [draft] = [one for one in messages_for(story.dive, event) if one.to.key == CLEO]

    assert len(segments(draft.text + "x" * LINK_ROOM).parts) <= 2


def test_a_drill_has_no_newcomers() -> None:
    """Whatever the command says."""
    event, story = filed_by(replace(file_plan(drill=True), newcomers=CONTACT_KEYS))

    assert isinstance(event, Filed)
    assert event.newcomers == ()
    assert {draft.to.key for draft in messages_for(story.dive, event)} == {"diver-0"}


@pytest.mark.parametrize("begin", [filed, in_water])
def test_the_lead_of_an_open_dive_is_told_and_nobody_else(begin: Callable[[], Story]) -> None:
    """Before the start and after it."""
    story = begin()

    [told] = story.said(NO, at(1))

    assert (told.to.key, told.kind) == ("diver-0", MessageKind.REPLY)
    assert told.text == (
        "Skerry Bay Divers: Cleo Marsh will not be a contact. Phone somebody else ashore and tell them the plan."
    )
    assert story.dive.unreachable == (CLEO,)


def test_saying_it_twice_is_said_once() -> None:
    """And nothing once the dive is over."""
    story = filed()

    assert kinds(story.does(NO, at(1))) == ["PersonUnreachable"]
    assert kinds(story.does(NO, at(2))) == []
    story.does(do.CallOff(diver("NOGO")), at(3))
    assert kinds(story.does(do.NoteUnreachable("contact-1", "declined"), at(4))) == []


def test_who_could_not_be_reached_can_still_decline() -> None:
    """What they say weighs more than what a gateway said."""
    story = in_water()
    story.does(do.NoteUnreachable(CLEO, "refused"), at(1))

    assert kinds(story.does(NO, at(2))) == ["PersonUnreachable"]
    assert (story.dive.unreachable, len(story.dive.declined)) == ((CLEO,), 1)


def test_a_diver_cannot_decline_to_dive_by_it() -> None:
    """The word is a contact's."""
    assert kinds(in_water().does(do.NoteUnreachable("diver-1", "declined"), at(1))) == []


def test_no_plan_and_no_alarm_goes_to_who_declined_before() -> None:
    """Not the start notice, a later time, an alert, distress, news or the end; the next contact is alerted at once."""
    story = filed()
    story.does(NO, at(0))
    story.does(do.Start(diver("IN")), at(1))
    story.does(do.NoteHanded("start_notice", "contact-1"), at(1))
    story.does(do.Extend(diver("LATE 10"), 10), at(20))
    story.runs_to(at(RAISE_BY + 1))
    assert story.dive.alerted_keys() == {CLEO, "contact-1"}
    story.runs_to(at(DISTRESS + 30))
    story.does(do.Acknowledge(contact(1)), at(DISTRESS + 31))
    story.does(do.ReportSafe(contact(1), 2), at(DISTRESS + 40))

    assert story.texts_to(CLEO) == []
    assert len(story.texts_to("contact-1")) > 4


def test_who_declines_after_being_told_hears_the_end_and_nothing_before_it() -> None:
    """They might wait for it."""
    story = in_water()
    story.runs_to(at(RAISE_BY))
    before = len(story.texts_to(CLEO))

    decision = story.does(NO, at(RAISE_BY + 1))
    assert kinds(decision) == ["PersonUnreachable", "StepTaken"]
    story.runs_to(at(DISTRESS + 10))
    story.does(do.ReportSafe(contact(1), 2), at(DISTRESS + 11))

    [over] = story.texts_to(CLEO)[before:]
    assert "2 divers SAFE. It is over." in over


def test_only_agreeing_takes_it_back() -> None:
    """A receipt, or a text about something else, does not."""
    story = in_water()
    story.does(NO, at(1))

    assert story.does(do.NoteReachable(CLEO), at(2)) == ()
    assert story.does(do.NoteReachable(CLEO, step="start_notice"), at(2)) == ()
    assert kinds(story.does(YES, at(3))) == ["PersonReachable"]
    assert (story.dive.unreachable, story.dive.declined) == ((), ())


def test_who_agrees_in_mid_dive_gets_the_plan_as_it_is_now() -> None:
    """With the due out that is in force."""
    story = filed()
    story.does(NO, at(0))
    story.does(do.Start(diver("IN")), at(1))

    [plan] = story.said(YES, at(10))

    assert (plan.to.key, plan.kind, plan.link) == (CLEO, MessageKind.START_NOTICE, LinkKind.ALARM)
    assert "please keep. Anna Holt + 1 (2 divers)" in plan.text
    assert "went in 10:01" in plan.text
    assert plan.expires_at == story.dive.raise_by_at


def test_who_agrees_before_the_start_waits_for_it_as_the_others_do() -> None:
    """Nothing more than the answer to their text."""
    story = filed()
    story.does(NO, at(0))

    assert story.said(YES, at(1)) == []
    story.does(do.Start(diver("IN")), at(2))
    assert len(story.texts_to(CLEO)) == 1


def test_who_agrees_after_the_alarm_passed_them_by_gets_the_alarm() -> None:
    """As whoever can be reached again does."""
    story = in_water()
    story.does(NO, at(1))
    story.runs_to(at(RAISE_BY))

    [alarm] = story.said(YES, at(RAISE_BY + 1))

    assert alarm.kind is MessageKind.ALERT


def test_agreeing_without_having_declined_is_only_being_reachable() -> None:
    """No second plan for who has it."""
    story = in_water()
    assert story.does(YES, at(1)) == ()
    story.does(do.NoteUnreachable(CLEO, "no_receipt"), at(2))

    [event] = story.does(YES, at(3))  # type: ignore[misc]

    assert event == PersonReachable(at(3), CLEO)


def test_acting_on_the_alarm_takes_it_back_for_this_dive() -> None:
    """Who says OK is told to call rescue at distress like everybody else."""
    story = in_water()
    story.runs_to(at(RAISE_BY))
    story.does(NO, at(RAISE_BY + 1))

    story.does(do.Acknowledge(contact(0)), at(RAISE_BY + 2))
    story.does(do.NoteReachable(CLEO), at(RAISE_BY + 2))
    story.runs_to(at(DISTRESS))

    assert story.dive.declined == ()
    assert "CALL RESCUE NOW" in story.texts_to(CLEO)[-1]


@pytest.mark.parametrize("near", ["agree", "decline"])
def test_who_nearly_says_it_hears_how_to(near: str) -> None:
    """A guess decides nothing."""
    story = filed()

    [answer] = story.said(do.Hear(contact(0, "agree to what"), "agree to what", near), at(1))

    assert answer.text.endswith("You can text AGREE 7K or DECLINE 7K.")
    assert story.dive.declined == ()


def test_a_plan_in_the_hands_of_who_declined_arms_nothing() -> None:
    """Their notice may be handed over a moment after their word."""
    story = in_water(armed=False)
    story.does(NO, at(seconds=1))

    assert kinds(story.does(do.NoteHanded("start_notice", CLEO), at(seconds=2))) == []
    assert kinds(story.does(do.NoteHanded("start_notice", "contact-1"), at(seconds=2))) == ["Armed"]


def test_when_all_decline_the_dive_is_not_armed_and_the_admins_are_handed_the_alarm() -> None:
    """Nobody is left to wait for."""
    story = filed()
    for key in CONTACT_KEYS:
        story.does(do.NoteUnreachable(key, "declined"), at(0))

    assert kinds(story.does(do.Start(diver("IN")), at(1))) == ["Started"]
    assert "NOT ARMED" in story.ticks(at(1))[0].text
    story.runs_to(at(RAISE_BY + 1))

    assert {draft.to.key for _, draft in story.told if draft.kind is MessageKind.DISTRESS} == {"admins"}


@pytest.mark.parametrize(("declines", "called"), [(False, True), (True, False)])
def test_a_landline_that_declined_is_not_called(*, declines: bool, called: bool) -> None:
    """Who wants nothing from us wants no calls either; without that they are called at the alert."""
    landline = Contact("Cleo Marsh", "+441632960011", channels=(Channel.CALL,))
    story = filed(replace(PLAN, contacts=(landline, *PLAN.contacts[1:])))
    story.dive = replace(story.dive, calls=True)
    if declines:
        story.does(NO, at(0))
    story.does(do.Start(diver("IN")), at(1))

    story.runs_to(at(DISTRESS + 1))

    assert bool(story.texts_to(CLEO)) is called
    assert (CLEO in story.dive.rung) is called
