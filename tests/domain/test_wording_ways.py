"""What is said in a call and written in an e-mail: plain, whole, slow enough to write down, short enough to hear."""

from __future__ import annotations

from dataclasses import replace

import pytest

from service.domain.dive import commands as do
from service.domain.language import LANGUAGES
from service.domain.people import Channel, Via
from service.domain.place.position import Position
from service.domain.plan import DivePlan
from service.domain.wording import Draft, spoken
from tests.domain.builders import DISTRESS, NOW, PLANNED, RAISE_BY, Story, at, contact, diver, filed, in_water, overdue
from tests.domain.test_ways import ashore

LANDLINE = ashore((Channel.CALL, Channel.EMAIL))
PLACE = "4 7 point 1 2 3, 4 5 north; 2 0 point 5 4 3, 2 1 west."
LONG_NAME = "Maximiliana Theodora Featherstonehaugh-Willoughby de la Mare"  # as long as a plan takes them


def last(story: Story, channel: Channel) -> Draft:
    """The last message by one way."""
    return [draft for _, draft in story.told if draft.channel is channel][-1]


def called(minutes: float, plan: DivePlan = LANDLINE, *, drill: bool = False) -> Story:
    """A dive whose one contact is called and mailed, so many minutes after the start."""
    story = filed(plan, calls=True, drill=drill)
    story.does(do.Start(diver("IN")), NOW)
    story.runs_to(at(minutes))
    return story


# Calls


def test_the_start_notice_is_said_with_the_time_to_act_and_whom_to_call() -> None:
    """What the text has, but for what nobody could write down in time."""
    assert last(called(0), Channel.CALL).text == (
        "This is Linetender, for Skerry Bay Divers. Please write this down. Anna Holt and others, 2 divers in all,"
        " went in at 10:00, at Lantern Cove. They are due out at 10:50. If you have not heard by 11:05 that all are"
        " out: Call them: 0 7 7 0 0, 9 0 0 0 0 1. Then call rescue: 0 7 7 0 0, 9 0 0 9 9 9 (practice desk)."
        " Press 1 to say that you have heard this."
    )


def test_a_time_of_another_day_is_said_with_the_day_written_out() -> None:
    """Who writes it down at 23:40 must not write down tonight."""
    story = filed(LANDLINE, calls=True)
    story.does(do.Start(diver("IN")), at(13 * 60 + 30))

    text = last(story, Channel.CALL).text

    assert "They are due out at Wednesday 2 June 00:20. If you have not heard by Wednesday 2 June 00:35 that" in text


def test_an_assumed_start_is_said_to_be_planned() -> None:
    """Nobody knows that they went in."""
    story = filed(replace(LANDLINE, time_in_at=PLANNED.time_in_at), calls=True)
    story.runs_to(at(20))

    assert "2 divers in all, planned to go in at 10:00, at Lantern Cove." in last(story, Channel.CALL).text


def test_a_landline_that_is_not_first_hears_late_who_is() -> None:
    """After a start that was assumed too late for a start notice."""
    story = filed(replace(ashore((Channel.TEXT,), (Channel.CALL,)), time_in_at=PLANNED.time_in_at), calls=True)
    story.ticks(at(RAISE_BY + 1))

    said = last(story, Channel.CALL).text
    assert "They were due out at 10:50. Nobody has said that they are out. Cleo Marsh hears it first." in said
    assert "If you are next: Call them: 0 7 7 0 0, 9 0 0 0 0 1. Then call rescue:" in said


def test_a_later_time_is_said_with_the_new_raise_by_time() -> None:
    """The old one must not be acted upon."""
    story = called(20)
    story.does(do.Extend(diver("LATE 20"), 20), at(20))

    said = last(story, Channel.CALL).text
    assert "New time for Anna Holt and others, 2 divers in all: due out at 11:10. Wait until 11:25." in said


def test_an_alert_is_said_in_the_order_in_which_rescue_asks() -> None:
    """What, who and how many, where, since when; what to do, whom to call, which key."""
    assert last(called(RAISE_BY), Channel.CALL).text == (
        "This is Linetender, for Skerry Bay Divers. Overdue from a dive: Anna Holt and others, 2 divers in all, at"
        " Lantern Cove. They were due out at 10:50. Call them: 0 7 7 0 0, 9 0 0 0 0 1. If they do not answer, call"
        f" rescue: 0 7 7 0 0, 9 0 0 9 9 9 (practice desk). The position is {PLACE} Press 1 to say that you have it."
    )


def test_at_distress_rescue_comes_first() -> None:
    """Then the divers themselves."""
    said = last(called(DISTRESS), Channel.CALL).text

    assert said.index("Call rescue now: 0 7 7 0 0, 9 0 0 9 9 9") < said.index("Call them:")


def test_a_raised_alarm_is_said_with_the_words_of_whoever_raised_it() -> None:
    """Only their beginning: the whole of them is on the page."""
    story = called(10)
    words = "lost sight of Bram near the point, current is running hard and he is low on gas"
    story.does(do.RaiseNow(diver(f"SOS {words}"), words), at(10))

    said = last(story, Channel.CALL).text
    assert "Alarm from Anna Holt and others, 2 divers in all, at Lantern Cove." in said
    assert 'The words were: "lost sight of Bram near the point,".' in said


def test_an_alarm_of_somebody_else_says_whose_it_is() -> None:
    """Whoever is called knows whom to ask."""
    story = called(10, ashore((Channel.CALL,), (Channel.TEXT,)))
    story.does(do.RaiseNow(contact(1, "SOS")), at(10))

    said = last(story, Channel.CALL).text
    assert "Dov Lind has raised the alarm for Anna Holt and others, 2 divers in all, at Lantern Cove." in said


def test_how_many_are_out_is_said() -> None:
    """At distress the count that is known by then."""
    story = called(RAISE_BY)
    story.does(do.Finish(diver("OUT 1"), 1), at(RAISE_BY + 1))
    story.runs_to(at(DISTRESS))

    assert "1 of 2 are said to be out." in last(story, Channel.CALL).text


def test_an_alarm_before_the_start_says_that_nobody_is_known_to_be_in() -> None:
    """And what was raised without words has none."""
    story = filed(LANDLINE, calls=True)
    story.does(do.RaiseNow(diver("")), at(1))

    said = last(story, Channel.CALL).text
    assert "It is not known that they went in." in said
    assert "The words were" not in said


@pytest.mark.parametrize(
    ("position", "said"),
    [
        (Position(-0.5, 7.25), "0 point 5 0 0, 0 0 south; 7 point 2 5 0, 0 0 east."),
        (Position(8.00001, -120.54321), "8 point 0 0 0, 0 1 north; 1 2 0 point 5 4 3, 2 1 west."),
    ],
)
def test_a_position_is_said_digit_by_digit(position: Position, said: str) -> None:
    """In groups, with the hemisphere as a word."""
    story = called(1)
    story.does(do.ReportFix(diver("AT"), position), at(2))
    where = replace(LANDLINE.site, position=position)
    story = called(RAISE_BY, replace(LANDLINE, site=where))

    assert f"The position is {said}" in last(story, Channel.CALL).text


def test_without_a_position_none_is_said() -> None:
    """The name of the site is all there is."""
    bare = replace(LANDLINE, site=replace(LANDLINE.site, position=None, points=()))

    assert "position" not in last(called(RAISE_BY, bare), Channel.CALL).text


ENDS = {
    "out": (
        do.Finish(diver(via=Via.PAGE)),
        "It is over for Anna Holt at Lantern Cove. 2 divers are safe. Said by Anna Holt at 10:20.",
    ),
    "safe": (do.ReportSafe(contact(via=Via.PAGE), 2), "2 divers are safe. Said by Cleo Marsh at 10:20."),
}


@pytest.mark.parametrize(("command", "said"), ENDS.values(), ids=ENDS)
def test_the_end_is_said_and_by_whom(command: do.Command, said: str) -> None:
    """Without an alarm nobody has to stand down."""
    story = called(20)
    # A contact who closes it by a text is answered by text, so the landline says it by its page.
    story.does(command, at(20))

    text = last(story, Channel.CALL).text
    assert said in text
    assert "stand down" not in text


def test_the_end_of_an_alarm_says_what_to_undo() -> None:
    """Stand down; and where rescue was called, tell them."""
    alarm, rescued = called(RAISE_BY), called(RAISE_BY)
    rescued.does(do.ReportCalled(contact(words="CALLED", index=0)), at(RAISE_BY + 1))
    for story in (alarm, rescued):
        story.does(do.Finish(diver()), at(RAISE_BY + 2))

    assert "Please stand down, and tell anyone you called." in last(alarm, Channel.CALL).text
    assert "Tell rescue now that it is over." in last(rescued, Channel.CALL).text


def test_a_plan_that_comes_to_nothing_is_said_to_have_lapsed() -> None:
    """Whoever was to be told of it hears that no clock runs."""
    story = filed(LANDLINE, calls=True)
    story.runs_to(at(25 * 60))

    assert "has lapsed. Nobody is known to have gone in." in last(story, Channel.CALL).text


def test_an_alarm_before_the_start_has_an_end_too() -> None:
    """Before the start an alarm can be raised too."""
    story = filed(LANDLINE, calls=True)
    story.does(do.RaiseNow(diver("SOS")), at(1))
    story.does(do.Finish(diver()), at(2))

    assert "It is over for Anna Holt" in last(story, Channel.CALL).text


def test_a_drill_says_so_first_and_sends_nobody_to_rescue() -> None:
    """Whoever hears only the beginning must not be frightened."""
    story = called(DISTRESS, drill=True)
    calls = [draft.text for _, draft in story.told if draft.channel is Channel.CALL]

    assert len(calls) == 3
    for said in calls:
        assert said.startswith("Exercise. This is a drill, nobody is in danger.")
        assert "Call rescue now" not in said
        assert "Then call rescue" not in said
        assert "In a real alarm you would " in said


def seconds_of_all_calls(plan: DivePlan, *, drill: bool) -> list[float]:
    """How long each call of a dive with every kind of call takes to say once."""
    story = called(10, plan, drill=drill)
    story.does(do.Extend(diver("LATE 20"), 20), at(10))
    story.does(do.RaiseNow(diver("SOS lost sight of Bram near the point and the current runs")), at(10))
    story.runs_to(at(60))
    story.does(do.Finish(diver()), at(61))
    calls = [draft.text for _, draft in story.told if draft.channel is Channel.CALL]
    assert len(calls) > 4
    return [spoken.seconds_of(words) for words in calls]


@pytest.mark.parametrize("language", LANGUAGES)
def test_one_saying_takes_about_forty_seconds_at_most(language: str) -> None:
    """At 150 words a minute, each digit a word, in every language; a drill says first that it is one."""
    plan = replace(LANDLINE, contacts=(replace(LANDLINE.contacts[0], language=language),))

    assert max(seconds_of_all_calls(plan, drill=False)) <= 40
    assert max(seconds_of_all_calls(plan, drill=True)) <= 44


def test_the_longest_names_there_are_take_ten_seconds_more() -> None:
    """Nobody's name, no place and no number is left out of a call."""
    site = replace(
        LANDLINE.site,
        name="The Old Lifeboat Slipway below the Lantern Tower, East Skerr",
        rescue_call="Skerry Bay Practice Rescue Co-ordination 07700 900999 or 998",
    )
    party = (replace(LANDLINE.party[0], name=LONG_NAME), *LANDLINE.party[1:])

    assert max(seconds_of_all_calls(replace(LANDLINE, party=party, site=site), drill=False)) <= 50


def test_seconds_are_counted_by_words_and_digits() -> None:
    """So that a number that is read out is not taken for one word."""
    assert spoken.seconds_of("Press 1 now") == pytest.approx(3 * 60 / 150)
    assert spoken.seconds_of("07700 900999") == pytest.approx(11 * 60 / 150)


@pytest.mark.parametrize(
    ("written", "said"),
    [
        ("07700 900999 (practice desk)", "0 7 7 0 0, 9 0 0 9 9 9 (practice desk)"),
        ("+1 (212) 555-0123", "+ 1, 2 1 2, 5 5 5, 0 1 2 3"),
        ("998 or 999, ask for the coast guard", "9 9 8 or 9 9 9, ask for the coast guard"),
        ("Harbour office", "Harbour office"),
    ],
)
def test_numbers_are_said_in_groups_of_digits(written: str, said: str) -> None:
    """Words stay words."""
    assert spoken.slowly(written) == said


def test_a_number_is_said_as_the_called_person_dials_it() -> None:
    """Abroad with its country code."""
    abroad = replace(LANDLINE, contacts=(replace(LANDLINE.contacts[0], phone="+12025550123"),))

    assert "Call them: + 4 4, 7 7 0 0, 9 0 0 0 0 1." in last(called(RAISE_BY, abroad), Channel.CALL).text


def test_a_plan_from_before_leads_had_to_have_numbers_still_makes_a_call() -> None:
    """What the checks let through today is not what was let through always."""
    story = called(RAISE_BY)
    dive = replace(story.dive, plan=replace(story.dive.plan, party=(replace(story.dive.plan.party[0], phone=None),)))

    assert "Call them. If they do not answer" in spoken.alarm(dive, dive.contacts[0], at(RAISE_BY), rescue_now=False)


def test_a_taken_alarm_is_answered_with_what_to_do_next() -> None:
    """The key is thanked for; nobody is sent to rescue twice."""
    story = called(RAISE_BY)
    person = story.dive.contacts[0]
    assert spoken.has_it(story.dive, person).startswith("Thank you. You have it. Call them: 0 7 7 0 0")

    story.does(do.ReportCalled(contact()), at(RAISE_BY + 1))
    assert spoken.has_it(story.dive, person) == "Thank you. Rescue has been called. Keep your phone free."


# E-mails


def test_an_alarm_mail_has_the_facts_and_all_of_the_plan() -> None:
    """Fuller than a text, and with where to answer."""
    story = called(RAISE_BY)
    mail = last(story, Channel.EMAIL)

    assert mail.subject == "OVERDUE: Anna Holt (2 divers), Lantern Cove"
    assert mail.text == (
        "Linetender, for Skerry Bay Divers\n"
        "OVERDUE: Anna Holt (2 divers), Lantern Cove\n"
        "Call them: 07700 900001.\n"
        "If they do not answer, call rescue: 07700 900999 (practice desk).\n"
        "\n"
        "Party: Anna Holt 07700 900001, Bram Vik 07700 900002\n"
        "Site: Lantern Cove\n"
        "Entry: 47.12345,-20.54321\n"
        "Exits: North slip, Beach\n"
        "Access: Track from the farm gate\n"
        "Car: blue van\n"
        "Kit: orange buoy\n"
        "People ashore: Cleo Marsh 07700 900011\n"
        "\n"
        "Went in: 10:00\n"
        "Due out: 10:50\n"
        "Raise-by time: 11:05\n"
        "Times: London time.\n"
        "\n"
        "So far:\n"
        '10:00 Last heard of them: Anna Holt: "IN"\n'
        "11:05 The alarm went up.\n"
        "11:05 Alerted: Cleo Marsh\n"
        "\n"
        "Do not answer this e-mail: nobody reads it. Answer by text, or on the page.\n"
        "By text: OK 7K (you act), CALLED 7K (rescue called), SAFE 2 7K (all safe)."
    )


def test_at_distress_the_mail_sends_to_rescue_first() -> None:
    """As the text does."""
    assert (
        "CALL RESCUE NOW: 07700 900999 (practice desk).\nCall them: 07700" in last(called(DISTRESS), Channel.EMAIL).text
    )


def test_a_mail_tells_what_has_happened_so_far() -> None:
    """In the order in which it happened, with who did it."""
    story = called(10)
    story.does(do.RaiseNow(diver("SOS lost Bram"), "lost Bram"), at(10))
    story.does(do.ReportFix(diver("AT 47.1234 -20.5432"), Position(47.1234, -20.5432)), at(11))
    story.does(do.Acknowledge(contact()), at(12))
    story.does(do.ReportOnScene(contact()), at(13))
    story.does(do.ReportCalled(contact(), "CG 77"), at(14))
    story.does(do.Finish(diver()), at(15))

    text = last(story, Channel.EMAIL).text
    happened = text.partition("So far:\n")[2].partition("\n\n")[0]
    assert happened.splitlines() == [
        "10:10 The alarm went up.",
        "10:10 Alerted: Cleo Marsh",
        "10:11 Position 47.12340,-20.54320, from Anna Holt",
        "10:12 Cleo Marsh has the alarm.",
        "10:13 Cleo Marsh is at the site.",
        "10:14 Cleo Marsh called rescue, incident CG 77.",
        '10:15 Last heard of them: Anna Holt: "OUT"',
        "10:15 Over, by the word of Anna Holt.",
    ]
    assert text.endswith("Ref 7K.\nDo not answer this e-mail: nobody reads it.")


def test_an_alarm_mail_has_who_is_out_and_how_exact_a_position_is_as_the_text_has() -> None:
    """Whoever reads only the mail sends rescue to look for as many, and as near, as whoever reads the text."""
    story = called(10, ashore((Channel.TEXT, Channel.EMAIL)))
    story.does(do.ReportSafe(contact(0, "SAFE 1 7K"), 1), at(30))
    near = diver("here", 1, Via.PAGE)
    story.does(do.ReportFix(near, Position(47.13, -20.55), accuracy_m=5000), at(47))
    story.runs_to(at(RAISE_BY))

    text, mail = last(story, Channel.TEXT).text, last(story, Channel.EMAIL).text
    assert "(2 divers). 1 of 2 said to be out." in text
    assert "OVERDUE: Anna Holt (2 divers), Lantern Cove\n1 of 2 said to be out.\nCall them" in mail
    assert "(from Bram Vik 10:47, within 5.0 km)" in text
    assert "10:47 Position 47.13000,-20.55000, from Bram Vik, within 5.0 km\n" in mail


def test_an_alarm_mail_before_any_start_says_that_they_are_not_known_to_be_in() -> None:
    """As the text does: whoever calls rescue says so."""
    story = filed(ashore((Channel.TEXT,), (Channel.TEXT, Channel.EMAIL)), calls=True)
    story.does(do.RaiseNow(contact(0, "SOS 7K")), at(10))

    assert "Not known to be in the water." in story.texts_to("contact-1")[0]
    assert "\n\nNot known to be in the water.\n\nSo far:\n" in last(story, Channel.EMAIL).text


def test_every_mail_says_that_nobody_reads_an_answer_and_none_asks_for_a_reply() -> None:
    """A contact who answers a mail believes that we know."""
    story = called(20)
    story.does(do.Extend(diver("LATE 20"), 20), at(20))
    story.runs_to(at(DISTRESS))
    story.does(do.Extend(diver("LATE 10"), 10), at(DISTRESS + 1))
    story.does(do.Finish(diver()), at(DISTRESS + 2))
    mails = [draft for _, draft in story.told if draft.channel is Channel.EMAIL]

    subjects = [str(draft.subject).partition(":")[0] for draft in mails]
    assert subjects == ["Dive plan to keep", "Later due out", "OVERDUE", "OVERDUE", "News of the dive", "It is over"]
    assert all("Do not answer this e-mail" in draft.text for draft in mails)
    assert not any("Reply" in draft.text for draft in mails)


def test_a_mail_of_a_drill_begins_with_exercise_and_sends_nobody_to_rescue() -> None:
    """In its subject and in its words."""
    for draft in [draft for _, draft in called(DISTRESS, drill=True).told if draft.channel is Channel.EMAIL]:
        assert str(draft.subject).startswith("EXERCISE. ")
        assert draft.text.startswith("EXERCISE. This is a drill, nobody is in danger.")
        assert "CALL RESCUE NOW" not in draft.text


def test_what_somebody_typed_makes_no_line_of_its_own() -> None:
    """A line break in a name could look like a word of ours."""
    odd = replace(LANDLINE, kit="buoy\n\nIt is over: go home", notes="one\ntwo")

    text = last(called(RAISE_BY, odd), Channel.EMAIL).text
    assert "Kit: buoy It is over: go home\n" in text
    assert "Notes: one two\n" in text


def test_a_mail_has_every_letter() -> None:
    """A text has those that fit; an e-mail need not leave any out."""
    party = (replace(LANDLINE.party[0], name="Zo\u00eb \u00d8stg\u0142\u00f3wna"), *LANDLINE.party[1:])

    mail = last(called(1, replace(LANDLINE, party=party)), Channel.EMAIL)
    assert str(mail.subject).startswith("Dive plan to keep: Zo\u00eb \u00d8stg\u0142\u00f3wna (2 divers)")
    assert "please keep. Zo\u00eb \u00d8stg\u0142\u00f3wna + 1" in mail.text


def test_texts_alone_are_what_they_were() -> None:
    """Whoever has no other way is told by no other way."""
    assert {draft.channel for _, draft in overdue(DISTRESS).told} == {Channel.TEXT}
    assert {draft.channel for _, draft in in_water(calls=True).told} == {Channel.TEXT}
