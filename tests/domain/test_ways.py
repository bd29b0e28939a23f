"""Several ways to a contact: which step uses which, what counts as reached, and what as an answer."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import pytest

from service.domain.dive import Phase
from service.domain.dive import commands as do
from service.domain.dive.events import Armed, ExtensionTookEffect
from service.domain.dive.state import WayLost
from service.domain.dive.ways import ways_to
from service.domain.grace import Step
from service.domain.people import ADMINS, Actor, Channel, Role, Via
from service.domain.plan import Contact, DivePlan
from service.domain.wording import Draft, LinkKind, MessageKind
from tests.domain.builders import (
    CONTACT_KEYS,
    CONTACT_PHONES,
    DISTRESS,
    PLAN,
    RAISE_BY,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    keys,
    kinds,
)

TEXT, CALL, EMAIL = Channel


def ashore(*ways: tuple[Channel, ...]) -> DivePlan:
    """The plan with contacts who have these ways, one after another."""
    names = ("Cleo Marsh", "Dov Lind", "Edda Rowe")
    people = [
        Contact(name, phone, email="ashore@example.org" if EMAIL in channels else None, channels=channels)
        for name, phone, channels in zip(names, CONTACT_PHONES, ways, strict=False)
    ]
    return replace(PLAN, contacts=tuple(people))


MIXED = ashore((TEXT, CALL), (TEXT, CALL, EMAIL), (CALL,))


def mixed(minutes: float = 0) -> Story:
    """A dive of which two contacts are texted and the third has a landline, so many minutes after the start."""
    story = in_water(MIXED, calls=True)
    story.runs_to(at(minutes))
    return story


def by(channel: Channel, drafts: Sequence[Draft]) -> list[str]:
    """Whom drafts reach by one way."""
    return keys([draft for draft in drafts if draft.channel is channel])


def all_of(story: Story, step: str) -> list[Draft]:
    """Every draft whose step begins like this."""
    return [draft for _, draft in story.told if draft.step.startswith(step)]


# Start, later raise-by time, end


def test_the_plan_is_texted_called_and_mailed_each_where_it_must() -> None:
    """Texts to whoever takes them, a call only to the landline, an e-mail along with the text."""
    notices = all_of(mixed(), "start_notice")

    assert by(TEXT, notices) == ["contact-0", "contact-1"]
    assert by(CALL, notices) == ["contact-2"]
    assert by(EMAIL, notices) == ["contact-1"]


def test_a_later_raise_by_time_goes_the_same_ways() -> None:
    """Whoever holds the old one hears of the new one."""
    story = mixed(20)
    drafts = story.said(do.Extend(diver("LATE 20"), 20), at(20))

    assert by(TEXT, drafts) == ["contact-0", "contact-1"]
    assert by(CALL, drafts) == ["contact-2"]
    assert by(EMAIL, drafts) == ["contact-1"]


def test_the_end_of_a_calm_dive_is_called_only_to_who_takes_no_texts() -> None:
    """The landline was told of the dive by a call, so by a call it hears the end."""
    drafts = mixed(20).said(do.Finish(diver()), at(20))
    ends = [draft for draft in drafts if draft.kind is MessageKind.STAND_DOWN]

    assert by(CALL, ends) == ["contact-2"]
    assert by(EMAIL, ends) == ["contact-1"]


def test_whoever_was_called_in_an_alarm_is_called_with_its_end() -> None:
    """A call that frightened somebody is taken back by a call."""
    drafts = mixed(DISTRESS).said(do.Finish(diver()), at(DISTRESS + 1))

    assert by(CALL, drafts) == list(CONTACT_KEYS)


def test_without_calls_nobody_is_called_and_a_landline_is_texted_for_want_of_better() -> None:
    """A service that cannot call still tries what it has."""
    story = in_water(MIXED)
    story.runs_to(at(DISTRESS))

    assert by(CALL, [draft for _, draft in story.told]) == []
    assert by(TEXT, all_of(story, "distress")) == list(CONTACT_KEYS)


# Alert and distress


def test_an_alert_is_a_text_and_a_call_only_to_who_is_called_first() -> None:
    """The first contact reads it; the landline's turn comes with a call."""
    story = mixed(RAISE_BY)
    assert (by(TEXT, all_of(story, "alert")), by(CALL, all_of(story, "alert"))) == (["contact-0"], [])

    story.runs_to(at(RAISE_BY + 10))
    assert by(CALL, all_of(story, "next_contact")) == ["contact-2"]


def test_as_soon_as_texts_fail_the_first_is_called_and_the_next_is_alerted() -> None:
    """Nobody waits: both happen in the same moment."""
    story = mixed(RAISE_BY)

    drafts = story.said(do.NoteUnreachable("contact-0", "refused"), at(RAISE_BY + 0.1))

    assert by(CALL, drafts) == ["contact-0"]
    assert by(TEXT, [draft for draft in drafts if draft.step.startswith("next_contact")]) == ["contact-1"]
    [call] = [draft for draft in drafts if draft.channel is CALL]
    assert (call.kind, call.link, call.rank) == (MessageKind.ALERT, None, 0)


def test_texts_known_to_fail_before_the_alert_make_it_a_call_at_once() -> None:
    """And a text too: twice rather than never."""
    story = mixed()
    story.does(do.NoteUnreachable("contact-0", "no_receipt"), at(1))
    story.runs_to(at(RAISE_BY))

    alert = all_of(story, "alert")
    assert by(CALL, alert) == ["contact-0"]
    assert by(TEXT, alert) == ["contact-0", "contact-1"]


def test_who_has_answered_or_opted_out_is_not_called_when_texts_fail() -> None:
    """A call to who acts already only keeps them from acting."""
    answered, gone = mixed(RAISE_BY), mixed(RAISE_BY)
    answered.does(do.Acknowledge(contact()), at(RAISE_BY + 1))

    assert by(CALL, answered.said(do.NoteUnreachable("contact-0", "refused"), at(RAISE_BY + 2))) == []
    assert by(CALL, gone.said(do.NoteUnreachable("contact-0", "opted_out"), at(RAISE_BY + 2))) == []


def test_distress_calls_everybody_who_can_be_called_and_so_do_its_repeats() -> None:
    """Every 10 minutes, until somebody says that rescue is called."""
    story = mixed(DISTRESS + 10)

    for step in ("distress-", "distress_again"):
        assert by(CALL, all_of(story, step)) == list(CONTACT_KEYS)
        assert all(draft.kind is MessageKind.DISTRESS for draft in all_of(story, step))

    story.does(do.ReportCalled(contact()), at(DISTRESS + 11))
    before = len(story.told)
    story.runs_to(at(DISTRESS + 60))
    assert by(CALL, [draft for _, draft in story.told[before:]]) == []


def test_texts_that_fail_after_distress_bring_no_call_between_the_repeats() -> None:
    """Everybody has just been called, and is again in ten minutes."""
    story = mixed(DISTRESS)

    assert by(CALL, story.said(do.NoteUnreachable("contact-0", "no_receipt"), at(DISTRESS + 2))) == []


def test_help_that_is_called_for_rings_the_landline_and_wakes_nobody_else_twice() -> None:
    """An SOS texts everybody at once, and calls who has no texts; who raises it ashore is not called about it."""
    drafts = mixed(5).said(do.RaiseNow(diver("SOS")), at(6))
    assert (by(TEXT, drafts), by(CALL, drafts)) == (["contact-0", "contact-1", "diver-0"], ["contact-2"])

    assert by(CALL, mixed(5).said(do.RaiseNow(contact(2, via=Via.CALL)), at(6))) == []


def test_of_two_who_have_the_alarm_only_the_one_whose_texts_fail_is_called() -> None:
    """The other has read it, or will."""
    story = mixed(RAISE_BY + 5)
    assert story.dive.alerted_keys() == {"contact-0", "contact-1"}

    assert by(CALL, story.said(do.NoteUnreachable("contact-1", "refused"), at(RAISE_BY + 6))) == [
        "contact-1",
        "contact-2",
    ]


def test_who_has_no_alarm_yet_is_not_called_for_texts_that_fail() -> None:
    """Their turn comes by the clock, and then with a call."""
    story = mixed(RAISE_BY)
    assert story.dive.alerted_keys() == {"contact-0"}

    assert by(CALL, story.said(do.NoteUnreachable("contact-1", "no_receipt"), at(RAISE_BY + 1))) == []


def test_once_rescue_is_called_nobody_is_called_for_what_fails_or_works_again() -> None:
    """Whoever is next has heard that it is done; a call would say "call rescue" to who need not."""
    story = mixed(RAISE_BY + 10)
    story.does(do.NoteUnreachable("contact-2", "no_answer", CALL), at(RAISE_BY + 10))
    story.does(do.ReportCalled(contact(1)), at(RAISE_BY + 11))

    assert by(CALL, story.said(do.NoteUnreachable("contact-0", "refused"), at(RAISE_BY + 12))) == []
    assert by(CALL, story.said(do.NoteReachable("contact-2", channel=CALL), at(RAISE_BY + 13))) == []


def test_of_two_landlines_that_rang_out_only_the_one_that_picks_up_again_is_called() -> None:
    """The other would ring out once more."""
    story = in_water(ashore((CALL,), (CALL,)), calls=True)
    for key in ("contact-0", "contact-1"):
        story.does(do.NoteUnreachable(key, "no_answer", CALL), at(1))
    story.runs_to(at(RAISE_BY + 5))

    assert by(CALL, story.said(do.NoteReachable("contact-1", channel=CALL), at(RAISE_BY + 6))) == ["contact-1"]


def test_whose_second_way_failed_was_not_called_and_is_not_called_with_the_end() -> None:
    """They had a text, and have one that it is over."""
    story = mixed(RAISE_BY)
    story.does(do.NoteUnreachable("contact-0", "no_answer", CALL), at(RAISE_BY + 1))

    assert by(CALL, story.said(do.Finish(diver()), at(RAISE_BY + 2))) == ["contact-2"]


@pytest.mark.parametrize(
    ("minute", "key", "has_alarm", "called"),
    [
        (RAISE_BY + 11, "contact-2", False, ["contact-2"]),
        (RAISE_BY + 11, "contact-2", True, []),
        (RAISE_BY + 11, "contact-0", False, []),
        (30, "contact-2", False, []),
    ],
    ids=["the alarm passed it by", "by the alarm itself", "another's way", "before the alarm"],
)
def test_a_landline_that_picks_up_again_is_called_only_with_an_alarm_that_it_missed(
    minute: int, key: str, called: list[str], *, has_alarm: bool
) -> None:
    """Who pressed a key has heard the alarm, and what another phone does says nothing of this one."""
    story = mixed()
    for person, channel in (("contact-0", TEXT), ("contact-0", CALL), ("contact-2", CALL)):
        story.does(do.NoteUnreachable(person, "no_answer", channel), at(1))
    story.runs_to(at(minute))

    drafts = story.said(do.NoteReachable(key, has_alarm, CALL, "start_notice"), at(minute, 1))

    assert by(CALL, drafts) == called


def test_who_declined_is_not_called_at_distress() -> None:
    """They act for nobody by their own word, and a call at night would ask them to."""
    story = mixed(20)
    story.does(do.NoteUnreachable("contact-1", "declined"), at(21))
    story.runs_to(at(DISTRESS))

    assert by(CALL, all_of(story, "distress")) == ["contact-0", "contact-2"]


def test_who_has_no_landline_is_never_called_nor_with_the_end() -> None:
    """Texts alone are their way, at distress too."""
    story = in_water(ashore((TEXT,), (TEXT, CALL)), calls=True)
    story.runs_to(at(DISTRESS))
    assert by(CALL, all_of(story, "distress")) == ["contact-1"]

    assert by(CALL, story.said(do.Finish(diver()), at(DISTRESS + 1))) == ["contact-1"]


# What fails


def test_a_landline_that_does_not_answer_is_not_waited_for() -> None:
    """Its first way is the call, so the next contact is told at once, as when texts fail."""
    story = in_water(ashore((CALL,), (TEXT,)), calls=True)
    story.runs_to(at(RAISE_BY))

    story.does(do.NoteUnreachable("contact-0", "no_answer", CALL), at(RAISE_BY + 1))

    assert story.dive.unreachable == ("contact-0",)
    assert story.dive.alerted_keys() == {"contact-0", "contact-1"}


def test_a_second_way_that_fails_changes_nothing_for_the_ladder_and_is_kept() -> None:
    """Neither is anybody told of it, nor does it count as not reached."""
    story = mixed(RAISE_BY)
    before = len(story.told)

    assert kinds(story.does(do.NoteUnreachable("contact-0", "no_answer", CALL), at(RAISE_BY + 1))) == [
        "PersonUnreachable"
    ]
    assert story.told[before:] == []
    assert (story.dive.unreachable, story.dive.lost) == ((), (WayLost("contact-0", CALL),))
    assert kinds(story.does(do.NoteUnreachable("contact-0", "no_answer", CALL), at(RAISE_BY + 2))) == []

    pressed = do.NoteReachable("contact-0", has_alarm=True, channel=CALL, step="distress-9")
    assert kinds(story.does(pressed, at(RAISE_BY + 3))) == ["PersonReachable"]
    assert story.dive.lost == ()


@pytest.mark.parametrize("fails", [True, False], ids=["fails", "works"])
def test_an_e_mail_makes_nobody_reachable_or_unreachable(fails: bool) -> None:  # noqa: FBT001 - a table
    """An address that bounces says nothing of the phone, and one that takes mail says nothing of the person."""
    story = mixed()
    story.does(do.NoteUnreachable("contact-1", "refused"), at(1))
    note = do.NoteUnreachable("contact-1", "refused", EMAIL) if fails else do.NoteReachable("contact-1", channel=EMAIL)

    story.does(note, at(2))

    assert story.dive.unreachable == ("contact-1",)


def test_who_opts_out_by_text_is_not_waited_for_though_calls_come_first() -> None:
    """It is the person who is gone, not the way; and who writes again is back by every way."""
    story = in_water(ashore((CALL, TEXT)), calls=True)
    story.does(do.NoteUnreachable("contact-0", "opted_out"), at(1))
    assert story.dive.unreachable == ("contact-0",)

    story.does(do.NoteReachable("contact-0"), at(2))
    assert not story.dive.unreachable


def test_when_every_first_way_has_failed_the_admins_hear_at_once() -> None:
    """Also while calls are still being tried: nobody waits for them."""
    story = in_water(ashore((TEXT, CALL), (CALL,)), calls=True)
    story.runs_to(at(RAISE_BY))
    story.does(do.NoteUnreachable("contact-0", "refused"), at(RAISE_BY + 1))
    assert Step.HAND_UP not in story.steps()

    story.does(do.NoteUnreachable("contact-1", "no_answer", CALL), at(RAISE_BY + 2))
    assert story.steps()[-1] is Step.HAND_UP
    assert "NO CONTACT CAN BE REACHED. Dive 7K:" in story.texts_to(ADMINS)[-1]


def test_a_landline_that_does_not_answer_the_plan_is_told_to_the_diver_while_dry() -> None:
    """Not as if texts had failed."""
    story = in_water(ashore((CALL,)), armed=False, calls=True)
    story.does(do.NoteUnreachable("contact-0", "no_answer", CALL), at(seconds=20))

    assert "Cleo Marsh does not answer a call. Phone somebody ashore." in story.texts_to("diver-0")[-2]
    assert "NOT ARMED: no contact can be reached. Phone somebody" in story.texts_to("diver-0")[-1]

    raised = story.said(do.RaiseNow(diver("SOS")), at(1))
    [answer] = [draft.text for draft in raised if draft.kind is MessageKind.REPLY]
    assert "ALARM raised. No contact can be reached." in answer


# What counts as told


@pytest.mark.parametrize(
    ("command", "armed"),
    [
        (do.NoteHanded("start_notice", "contact-0"), True),
        (do.NoteHanded("start_notice", "contact-2", CALL), False),
        (do.NoteHanded("start_notice", "contact-1", EMAIL), False),
        (do.NoteReachable("contact-2", channel=CALL, step="start_notice"), True),
        (do.NoteReachable("contact-0", step="start_notice"), True),
        (do.NoteReachable("contact-1", channel=EMAIL, step="start_notice"), False),
        (do.NoteReachable("contact-2", channel=CALL, step="introduction-1"), False),
        (do.NoteReachable("contact-2", channel=CALL), False),
    ],
    ids=["text taken", "call taken", "mail taken", "key", "text delivered", "mail read", "another call", "no message"],
)
def test_only_a_plan_that_surely_got_ashore_arms(command: do.Command, armed: bool) -> None:  # noqa: FBT001 - a table
    """A call that a gateway took may ring out; a key that was pressed proves that the plan was heard."""
    story = in_water(MIXED, armed=False, calls=True)

    decision = story.does(command, at(seconds=5))

    assert isinstance(decision, tuple)
    assert any(isinstance(event, Armed) for event in decision) is armed


def test_an_extension_counts_by_a_key_and_not_by_a_call_or_an_e_mail() -> None:
    """The landline holds the new time once somebody there has heard it."""
    story = mixed(20)
    story.does(do.Extend(diver("LATE 20"), 20), at(20))

    story.does(do.NoteHanded("extension-1", "contact-2", CALL), at(20.1))
    story.does(do.NoteHanded("extension-1", "contact-1", EMAIL), at(20.1))
    assert story.dive.extension is not None

    story.does(do.NoteReachable("contact-2", channel=CALL, step="extension-1"), at(20.5))
    assert isinstance(story.events[-1], ExtensionTookEffect)
    assert story.dive.due_out_at == at(70)


def test_a_key_in_an_alarm_call_is_an_answer_like_ok() -> None:
    """It stops the search for a next contact and nothing else; the answer was said in the call, so none is texted."""
    story = mixed(RAISE_BY)
    by_call = Actor(Role.CONTACT, "Cleo Marsh", Via.CALL, "contact-0", CONTACT_PHONES[0], "key 1")

    drafts = story.said(do.Acknowledge(by_call), at(RAISE_BY + 1))

    assert story.dive.acknowledged[0].key == "contact-0"
    assert story.dive.phase is Phase.ALERT
    assert drafts == []


def test_whoever_the_alarm_passed_by_gets_it_by_the_way_that_works_again() -> None:
    """A landline that picked up another call of ours is called with the alarm."""
    story = in_water(ashore((CALL, EMAIL), (TEXT,)), calls=True)
    story.does(do.NoteUnreachable("contact-0", "no_answer", CALL), at(1))
    story.runs_to(at(RAISE_BY))

    drafts = story.said(do.NoteReachable("contact-0", channel=CALL, step="start_notice"), at(RAISE_BY + 1))

    assert [(draft.to.key, draft.channel, draft.kind) for draft in drafts] == [("contact-0", CALL, MessageKind.ALERT)]


def test_a_text_that_arrives_does_not_prove_that_calls_are_picked_up() -> None:
    """Whose phone rings out is not waited for, whatever a receipt says of a text; their own words are proof."""
    story = in_water(ashore((CALL, TEXT), (TEXT,)), calls=True)
    story.does(do.NoteUnreachable("contact-0", "no_answer", CALL), at(1))

    story.does(do.NoteReachable("contact-0", channel=TEXT, step="start_notice"), at(2))
    assert [one.key for one in story.dive.reachable_contacts] == ["contact-1"]

    story.does(do.NoteReachable("contact-0", channel=TEXT), at(3))
    assert [one.key for one in story.dive.reachable_contacts] == ["contact-0", "contact-1"]


# Which ways are said to be used


@pytest.mark.parametrize(
    ("channels", "calls", "ways"),
    [
        ((TEXT,), True, (TEXT,)),
        ((TEXT, CALL, EMAIL), True, (TEXT, CALL, EMAIL)),
        ((TEXT, CALL, EMAIL), False, (TEXT, EMAIL)),
        ((EMAIL, CALL), True, (CALL, EMAIL)),
        ((CALL,), False, (TEXT,)),
    ],
)
def test_the_ways_of_a_contact_are_those_that_the_service_has(
    channels: tuple[Channel, ...], ways: tuple[Channel, ...], *, calls: bool
) -> None:
    """In the contact's order, direct ones before the e-mail; never none."""
    dive = filed(ashore(channels), calls=calls).dive

    assert ways_to(dive, dive.contacts[0]) == ways


@pytest.mark.parametrize("email", ["ashore@example.org", None])
@pytest.mark.parametrize("channels", [(TEXT,), (TEXT, CALL), (TEXT, EMAIL)])
def test_e_mails_go_to_who_has_both_the_way_and_an_address(email: str | None, channels: tuple[Channel, ...]) -> None:
    """An address that is known for something else gets nothing."""
    story = in_water(
        replace(PLAN, contacts=(Contact("Cleo Marsh", CONTACT_PHONES[0], email=email, channels=channels),)), calls=True
    )

    mailed = [draft for _, draft in story.told if draft.channel is EMAIL]
    assert bool(mailed) is (email is not None and EMAIL in channels)


def test_an_e_mail_of_the_alarm_leads_to_its_page_as_the_text_does() -> None:
    """The link is added where it is sent."""
    story = mixed(RAISE_BY + 5)

    [mail] = [draft for draft in all_of(story, "next_contact") if draft.channel is EMAIL]
    assert mail.link is LinkKind.ALARM
