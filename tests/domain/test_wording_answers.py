"""Answers to texts, news for the others, and what is told to whom and how long it makes sense."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import pytest

from service.domain.dive import Outcome, decide, evolve
from service.domain.dive import commands as do
from service.domain.dive.events import ExtensionAsked, ExtensionNotInForce
from service.domain.encoding import segments
from service.domain.grace import FinishNeeds, GracePeriods
from service.domain.people import Actor
from service.domain.place.position import Position
from service.domain.wording import Draft, MessageKind, messages_for
from service.domain.wording.drafts import REPLY_LASTS
from tests.domain.builders import (
    ADMIN,
    CONTACT_KEYS,
    DISTRESS,
    DUE_OUT,
    NOW,
    PLAN,
    PLANNED,
    RAISE_BY,
    Story,
    at,
    contact,
    diver,
    file_plan,
    filed,
    in_water,
    keys,
    overdue,
)


def answer(story: Story, command: do.Command, minute: float) -> str:
    """What whoever sent a text reads, without the club's name."""
    (reply,) = [draft for draft in story.said(command, at(minute)) if draft.step.startswith("reply")]
    assert (reply.kind, reply.expires_at) == (MessageKind.REPLY, at(minute) + REPLY_LASTS)
    return reply.text.removeprefix("Skerry Bay Divers: ")


def test_a_plan_that_is_filed_gives_both_codes() -> None:
    """And says that silence means not armed."""
    (text,) = filed().texts_to("diver-0")

    assert text == (
        "Skerry Bay Divers: plan filed for Lantern Cove. Going in: text IN 482139. Out: text OUT 731905."
        " The clock runs only once we answer ARMED."
    )


TIMES_IN = [
    pytest.param(timedelta(), ", {time}", id="now"),
    pytest.param(timedelta(minutes=30), ", {time}", id="later-today"),
    pytest.param(timedelta(hours=24), ", {day} {time}", id="tomorrow"),
    pytest.param(timedelta(minutes=-1), ", {time}", id="it-has-passed"),
]


@pytest.mark.parametrize(("ahead", "named"), TIMES_IN)
def test_a_plan_is_answered_with_its_time_in(ahead: timedelta, named: str) -> None:
    """Only so does the diver see which day was understood, and that 9.30 was the morning's."""
    time_in_at = NOW + ahead
    command = replace(file_plan(replace(PLAN, time_in_at=time_in_at)), said_at=NOW - timedelta(hours=1))
    decision = decide(None, command, NOW)
    assert isinstance(decision, tuple)
    local = time_in_at.astimezone(ZoneInfo(PLAN.site.zone))

    [text] = [draft.text for draft in messages_for(evolve(None, decision[0]), decision[0]) if draft.to.key == "diver-0"]

    wanted = named.format(day=f"{local:%a} {local.day} {local:%b}", time=f"{local:%H:%M}")
    assert text.startswith(f"Skerry Bay Divers: plan filed for Lantern Cove{wanted}. Going in: text IN")
    assert len(segments(text).parts) == 1


HINTS = [
    ("finish", "Dive 7K, Lantern Cove. All out? Text OUT."),
    ("late", "Need longer? Text LATE 20."),
    ("call_off", "All out? Text OUT."),  # NOGO is no end of a dive that has begun
    ("start", "Dive 7K, Lantern Cove. All out? Text OUT. Longer? LATE 20. Trouble? SOS."),  # they are in
    ("position", "A position? Text AT 47.12345,-20.54321."),
    ("safe", "All out? Text OUT."),
    ("called", "You can text OK 7K, CALLED 7K, or SAFE 2 7K."),
    (None, "All out? Text OUT. Longer? LATE 20. Trouble? SOS."),
]


@pytest.mark.parametrize(("near", "hint"), HINTS, ids=[str(near) for near, _ in HINTS])
def test_an_unclear_text_is_answered_with_what_was_probably_meant(near: str | None, hint: str) -> None:
    """Nothing changed, the clock runs, and the next text can be the right one."""
    words = answer(in_water(), do.Hear(diver("hm"), "hm", near), 20)

    assert words == f"not understood, nothing changed. The clock runs. {hint}"


def test_an_unclear_text_before_the_start_does_not_claim_a_clock() -> None:
    """The hint is how to start it."""
    words = answer(filed(), do.Hear(diver("hm"), "hm"), 1)

    assert words == "not understood, nothing changed. The clock is not running. Going in? IN. Trouble? SOS."


def test_a_contacts_unclear_text_is_answered_with_a_contacts_commands() -> None:
    """Whatever it resembled."""
    words = answer(overdue(RAISE_BY), do.Hear(contact(words="who"), "who is this", "finish"), 66)

    assert "You can text OK 7K, CALLED 7K, or SAFE 2 7K." in words


def test_a_contact_who_asks_what_to_do_in_an_alarm_is_told_whom_to_call() -> None:
    """Until somebody has called; a diver is asked whether all are out."""
    story = overdue(RAISE_BY)

    words = answer(story, do.Hear(contact(words="hm"), "hm"), 66)
    to_do = answer(story, do.Hear(contact(words="what now"), "what now", "status"), 66)

    answers, call = "You can text OK 7K, CALLED 7K, or SAFE 2 7K.", "In doubt call 07700 900999 (practice desk)."
    assert words == f"not understood, the alarm stands. {answers} {call}"
    assert to_do == f"not understood, the alarm stands. {call} {answers}"
    assert len(segments(f"Skerry Bay Divers: {words}").parts) == 1
    story.does(do.ReportCalled(contact()), at(67))
    assert "In doubt" not in answer(story, do.Hear(contact(words="what now"), "what now", "status"), 68)


def test_a_contact_with_words_of_trouble_in_an_alarm_is_told_how_to_say_that_rescue_was_called() -> None:
    """They may be of the call itself: "lifeboat launched"."""
    story = overdue(RAISE_BY)

    words = answer(story, do.RaiseNow(contact(words="lifeboat launched"), "lifeboat launched", worry=True), 66)

    told = "The alarm stands. The others get your words. Call rescue: 07700 900999 (practice desk)."
    assert words == f"{told} Rescue was called? Text CALLED 7K."
    story.does(do.ReportCalled(contact()), at(67))
    words = answer(story, do.RaiseNow(contact(words="lifeboat launched"), "lifeboat launched", worry=True), 68)
    assert words == f"{told.replace('Call rescue', 'Tell rescue')} All safe? SAFE 2 7K"


def test_a_contact_who_raises_the_alarm_is_told_of_the_contacts() -> None:
    """They are not theirs."""
    words = answer(in_water(), do.RaiseNow(contact(words="SOS"), None), 20)

    assert words.startswith("ALARM raised. The contacts are being told. Call rescue: ")


def test_a_contact_who_asks_for_news_is_told_how_to_get_it_and_in_an_alarm_how_to_answer() -> None:
    """Nobody is asked whether they want to be a contact while they wait for the divers."""
    news = do.Hear(contact(words="any news"), "any news", "status")

    assert answer(in_water(), news, 20).endswith("The clock runs. How it stands: text STATUS 7K.")
    assert "You can text OK 7K, CALLED 7K, or SAFE 2 7K." in answer(overdue(RAISE_BY), news, 66)


@pytest.mark.parametrize("near", [None, "start"])
def test_a_contact_who_has_no_alarm_is_not_offered_what_would_stop_the_clock(near: str | None) -> None:
    """After the notice to keep they ask who this is: SAFE would end the dive of those who are in the water."""
    words = answer(in_water(), do.Hear(contact(words="who"), "who is this", near), 20)

    assert words == "not understood, nothing changed. The clock runs. You can text AGREE 7K or DECLINE 7K."


@pytest.mark.parametrize("near", ["ok", "called", "safe", "finish"])
def test_a_contact_who_means_an_answer_is_told_how_before_any_alarm_too(near: str) -> None:
    """They may stand beside the divers."""
    words = answer(in_water(), do.Hear(contact(words="here"), "they are here with me", near), 20)

    assert words.endswith("You can text OK 7K, CALLED 7K, or SAFE 2 7K.")


NEEDS = [
    (FinishNeeds.PHONE, None, "OUT"),
    (FinishNeeds.CODE, None, "OUT 731905"),
    (FinishNeeds.HEADCOUNT, None, "OUT 2"),
    (FinishNeeds.PHONE, 1, "OUT 2"),
    (FinishNeeds.CODE, 1, "OUT 731905 2"),
]


@pytest.mark.parametrize(("needs", "partly", "words"), NEEDS, ids=[f"{n}, {p} out" for n, p, _ in NEEDS])
def test_reminders_name_the_finish_that_will_be_taken(needs: FinishNeeds, partly: int | None, words: str) -> None:
    """With cold hands the first try must be the right one."""
    story = in_water(grace=GracePeriods(finish_needs=needs))
    if partly is not None:
        story.does(do.Finish(diver(), partly, with_code=True), at(20))
    story.runs_to(at(DUE_OUT + 5))

    choices = f"All out? Text {words}. Need longer? Text LATE 20."
    assert story.texts_to("diver-1")[-3:] == [
        f"Skerry Bay Divers: due out 10:50. {choices}",
        f"Skerry Bay Divers: you are due out (10:50). {choices} Alarm goes out 11:05.",
        f"Skerry Bay Divers: OVERDUE since 10:50. {choices} Alarm goes out 11:05.",
    ]


def test_reminders_end_when_the_alert_goes_out() -> None:
    """A reminder that is late by a fault of a gateway is not read after the alarm."""
    story = overdue(DUE_OUT)

    assert {d.expires_at for _, d in story.told if d.kind is MessageKind.REMINDER} == {at(RAISE_BY)}


def test_a_start_notice_is_no_use_after_the_raise_by_time_and_an_alarm_never_expires() -> None:
    """The notice gives way to the alert; alert, distress and stand-down are sent however late."""
    story = overdue(DISTRESS)
    story.does(do.Finish(diver()), at(DISTRESS + 1))
    lasting = {MessageKind.ALERT, MessageKind.DISTRESS, MessageKind.STAND_DOWN}

    assert {d.expires_at for _, d in story.told if d.step == "start_notice"} == {at(RAISE_BY)}
    assert {d.expires_at for _, d in story.told if d.kind in lasting} == {None}


def test_a_contact_who_answers_hears_what_to_do_and_the_others_hear_who_acts() -> None:
    """Only those who were alerted hear of it."""
    story = overdue(RAISE_BY + 5)

    drafts = story.said(do.Acknowledge(contact(1)), at(RAISE_BY + 6))

    act = "thank you. Call +44 7700 900001. No answer? Call 07700 900999 (practice desk), then text CALLED 7K."
    news = "Dov Lind has the alarm for dive 7K since 11:11. Nobody has called rescue yet."
    assert [(draft.to.key, draft.kind, draft.text.removeprefix("Skerry Bay Divers: ")) for draft in drafts] == [
        ("contact-1", MessageKind.REPLY, f"{act} All safe? SAFE 2 7K"),
        ("contact-0", MessageKind.OTHER, news),
    ]


def test_after_rescue_was_called_an_answer_does_not_deny_it() -> None:
    """Who answers late learns that rescue is on its way."""
    story = overdue(RAISE_BY + 5)
    story.does(do.ReportCalled(contact()), at(RAISE_BY + 6))

    drafts = story.said(do.Acknowledge(contact(1)), at(RAISE_BY + 7))

    assert [draft.text.removeprefix("Skerry Bay Divers: ") for draft in drafts] == [
        "thank you. Rescue was called 11:11 by Cleo Marsh. Keep your phone free. All safe? SAFE 2 7K",
        "Dov Lind has the alarm for dive 7K since 11:12. Rescue was called 11:11 by Cleo Marsh.",
    ]


@pytest.mark.parametrize(("reference", "shown"), [("4711", " (incident 4711)"), (None, "")], ids=["number", "none"])
def test_everybody_ashore_hears_that_rescue_was_called(reference: str | None, shown: str) -> None:
    """With the incident's number where it is known."""
    story = overdue(RAISE_BY)

    drafts = story.said(do.ReportCalled(contact(words="CALLED"), reference), at(RAISE_BY + 1))

    assert keys(drafts) == list(CONTACT_KEYS)
    assert drafts[0].text == (
        f"Skerry Bay Divers: RESCUE CALLED 11:06 by Cleo Marsh{shown} for Anna Holt + 1 (2 divers)."
        " Keep your phone free. Know they are safe? Text SAFE 2 7K."
    )
    assert drafts[-1].text == (
        f"Skerry Bay Divers: noted, rescue called{shown}. Keep your phone free. All safe? Text SAFE 2 7K"
        " Not called? NOT CALLED 7K"
    )


def test_a_position_is_noted_and_in_an_alarm_passed_on() -> None:
    """Five places; before the alarm only the sender hears of it."""
    calm, alarmed = in_water(), overdue(RAISE_BY)
    fix = do.ReportFix(diver("AT"), Position(47.1000004, -20.543214))

    assert answer(calm, fix, 20) == "position 47.10000,-20.54321 noted for dive 7K."
    drafts = alarmed.said(fix, at(RAISE_BY + 1))
    assert keys(drafts) == [*CONTACT_KEYS, "diver-0"]
    assert drafts[0].text == (
        "Skerry Bay Divers: position 47.10000,-20.54321 noted for dive 7K. From Anna Holt 11:06."
        " 2.6 km S of Lantern Cove. Tell rescue: 07700 900999 (practice desk)."
    )


OF_DIVE = "Anna Holt, Lantern Cove. Ref 7K."
STAND_DOWN = "Please stand down; tell anyone you called."
CLOSINGS = [
    ("surfaced", in_water, do.Finish(diver()), f"2 divers OUT. It is over. Said by Anna Holt 11:40. {OF_DIVE}"),
    (
        "surfaced in an alarm",
        lambda: overdue(RAISE_BY),
        do.Finish(diver()),
        f"2 divers OUT. It is over. Said by Anna Holt 11:40. {OF_DIVE} {STAND_DOWN}",
    ),
    (
        "stood down by an admin",
        lambda: overdue(RAISE_BY),
        do.ReportSafe(ADMIN, 2),
        f"2 divers SAFE. It is over. Said by Finn Gray 11:40. {OF_DIVE} {STAND_DOWN}",
    ),
    (
        "an assumed start called off",
        lambda: ran(filed(PLANNED), 30),
        do.CallOff(diver("NOGO")),
        f"CALLED OFF, nobody is diving. Said by Anna Holt 11:40. {OF_DIVE}",
    ),
]


def ran(story: Story, minute: float) -> Story:
    """A story with all its sweeps until then."""
    story.runs_to(at(minute))
    return story


@pytest.mark.parametrize(("story", "command", "words"), [row[1:] for row in CLOSINGS], ids=[row[0] for row in CLOSINGS])
def test_the_stand_down_says_how_it_ended_and_by_whose_word(story: object, command: do.Command, words: str) -> None:
    """Everybody ashore can tell a true end from a guess."""
    played: Story = story()  # type: ignore[operator]

    drafts = played.said(command, at(100))

    ashore = {draft.text for draft in drafts if draft.to.key in CONTACT_KEYS}
    assert ashore == {f"Skerry Bay Divers: {words}"}
    assert {draft.kind for draft in drafts} <= {MessageKind.STAND_DOWN, MessageKind.REPLY}


CLOSED = [
    ("calm", 20, False, "closed 10:21, 2 divers out. The clock is stopped."),
    ("called", RAISE_BY, True, "closed 11:06, 2 divers out. The clock is stopped. Tell rescue now that it is over."),
]


@pytest.mark.parametrize(("minute", "called", "words"), [row[1:] for row in CLOSED], ids=[row[0] for row in CLOSED])
def test_who_closes_a_dive_hears_that_the_clock_is_stopped(minute: int, called: bool, words: str) -> None:  # noqa: FBT001 - a table
    """And that rescue must be told, if it was called."""
    story = overdue(minute)
    if called:
        story.does(do.ReportCalled(contact()), at(minute))

    which = "dive 7K of Anna Holt"
    assert answer(story, do.Finish(diver()), minute + 1) == f"{which} {words} Everybody told is told now."


@pytest.mark.parametrize(
    ("who", "words"),
    [
        pytest.param(diver("NOGO"), "called off. Its clock does not run. Nobody else was told.", id="the lead"),
        pytest.param(
            diver("NOGO", 1), "called off. Its clock does not run. Everybody told is told now.", id="another diver"
        ),
    ],
)
def test_who_calls_off_hears_whose_clock_does_not_run(who: Actor, words: str) -> None:
    """The lead, who filed the plan, hears of it from others."""
    story = filed()

    assert answer(story, do.CallOff(who), 1) == f"dive 7K of Anna Holt {words}"
    assert story.dive.outcome is Outcome.CALLED_OFF


def test_what_is_said_on_a_page_is_answered_on_the_page() -> None:
    """Nobody gets a text as the answer to a button."""
    for command in (do.Hear(ADMIN, "hm"), do.ReportFix(ADMIN, Position(1.0, 1.0)), do.Finish(ADMIN, 1)):
        assert in_water().said(command, at(20)) == []


def test_times_name_the_day_when_it_is_not_today() -> None:
    """A dive over midnight is not read as one of tomorrow morning."""
    late = replace(PLANNED, time_in_at=None, run_time=timedelta(hours=1))
    story = filed(late)
    story.does(do.Start(diver("IN")), at(13 * 60 + 30))  # 23:30 at the site

    (notice, *_) = story.texts_to("contact-0")

    assert "went in 23:30." in notice
    assert "Due out Wed 2 Jun 00:30. Not heard by Wed 2 Jun 00:45" in notice


def test_a_dive_with_no_waiting_extension_has_no_notice_of_one() -> None:
    """Words for an event that the dive does not bear out are left unsaid rather than made up."""
    story = in_water()
    asked = ExtensionAsked(at(20), diver("LATE 20"), at(70), 1)

    nothing: list[Draft] = messages_for(story.dive, asked)

    assert nothing == []
    story.happens([ExtensionNotInForce(at(21), 1)])
    assert story.dive.extension is None
