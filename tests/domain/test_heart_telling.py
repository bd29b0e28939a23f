"""Nobody ashore is left without the plan or the alarm, and in a drill nobody is sent to rescue."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from service.domain.dive import Refusal
from service.domain.dive import commands as do
from service.domain.dive.events import Started
from service.domain.people import Actor
from service.domain.plan import Contact, Diver
from service.domain.wording import Draft, LinkKind, MessageKind, general
from tests.domain.builders import (
    ADMIN,
    CONTACT_KEYS,
    DISTRESS,
    HAND_UP,
    LEAD_PHONE,
    NOW,
    PLAN,
    PLANNED,
    RAISE_BY,
    RESCUE,
    STRANGER,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    keys,
    overdue,
)

# An assumed start that is later than the raise-by time


def test_who_is_not_alerted_at_once_after_a_late_assumed_start_gets_the_plan() -> None:
    """The first contact has it in the alert; the others are told who hears it first, and of no time that has passed."""
    story = filed(PLANNED)

    drafts = [draft for draft in story.ticks(at(RAISE_BY + 1)) if draft.to.key in CONTACT_KEYS]

    assert [(draft.to.key, draft.kind) for draft in drafts] == [
        ("contact-1", MessageKind.OTHER),
        ("contact-2", MessageKind.OTHER),
        ("contact-0", MessageKind.ALERT),
    ]
    assert drafts[0].link is LinkKind.ALARM
    assert drafts[0].text == (
        "Skerry Bay Divers: please keep. Anna Holt + 1 (2 divers) with Bram Vik planned to go in 10:00."
        " At Lantern Cove, 47.12345,-20.54321. Exits: North slip, Beach. Access: Track from the farm gate."
        " Car: blue van. Due out 10:50, nobody has said that they are out."
        " Cleo Marsh hears it first. If you are next: Call them (+44 7700 900001), then rescue: " + RESCUE + ". Ref 7K."
    )
    [started] = [event for event in story.events if isinstance(event, Started)]
    assert started.spared == ("contact-0",)


def test_the_later_contacts_are_alerted_as_ever_if_the_first_does_not_answer() -> None:
    """The plan that they hold is no alarm and takes nothing away from it."""
    story = filed(PLANNED)
    story.ticks(at(RAISE_BY + 1))

    story.runs_to(at(RAISE_BY + 6))
    assert story.texts_to("contact-1")[-1].startswith("Skerry Bay Divers: OVERDUE: Anna Holt")


def test_after_an_assumed_start_in_time_everybody_gets_the_start_notice_and_nothing_else() -> None:
    """The usual case stays as it was."""
    story = filed(PLANNED)
    story.runs_to(at(25))

    assert [len(story.texts_to(key)) for key in CONTACT_KEYS] == [1, 1, 1]
    assert all("Not heard by 11:05" in story.texts_to(key)[0] for key in CONTACT_KEYS)


# A contact who can be reached again


def passed_by(reason: str = "opted_out") -> Story:
    """An alarm that went past the first contact, whom texts did not reach."""
    story = in_water()
    story.does(do.NoteUnreachable("contact-0", reason), at(30))
    story.runs_to(at(RAISE_BY))
    assert story.dive.alerted_keys() == {"contact-0", "contact-1"}
    return story


def back(story: Story, minutes: float, *, has_alarm: bool = False) -> list[Draft]:
    """What is told when the first contact can be reached again."""
    return story.said(do.NoteReachable("contact-0", has_alarm=has_alarm), at(minutes))


def test_a_contact_whom_the_alarm_passed_by_gets_it_as_soon_as_they_can_be_reached() -> None:
    """Whole, as the ladder would have sent it, and only to them."""
    story = passed_by()

    [draft] = back(story, RAISE_BY + 2)

    assert (draft.to.key, draft.kind, draft.link) == ("contact-0", MessageKind.ALERT, LinkKind.ALARM)
    assert draft.step == f"reachable-{story.dive.version}"
    assert draft.text.startswith(
        "Skerry Bay Divers: OVERDUE: Anna Holt + 1 (2 divers). At Lantern Cove, 47.12345,-20.54321"
    )
    assert f"No answer? Call rescue: {RESCUE}. Say overdue divers, give position." in draft.text
    assert "Reply OK 7K (you act)" in draft.text


def test_at_distress_they_are_told_to_call_rescue_now() -> None:
    """The gravest step that is due."""
    story = passed_by()
    story.runs_to(at(DISTRESS))

    [draft] = back(story, DISTRESS + 1)

    assert draft.kind is MessageKind.DISTRESS
    assert "OVERDUE, CALL RESCUE NOW: Anna Holt" in draft.text


def test_they_hear_who_has_the_alarm_already() -> None:
    """So that two do not do the same."""
    story = passed_by()
    story.does(do.Acknowledge(contact(1)), at(RAISE_BY + 1))

    [draft] = back(story, RAISE_BY + 2)

    assert "Dov Lind has the alarm since 11:06." in draft.text

    by_admin = passed_by()
    by_admin.does(do.Acknowledge(ADMIN), at(RAISE_BY + 1))
    [draft] = back(by_admin, RAISE_BY + 2)
    assert "An admin has the alarm since 11:06." in draft.text


def test_they_hear_that_rescue_was_called() -> None:
    """And are not sent to call it again."""
    story = passed_by()
    story.does(do.ReportCalled(contact(1, "CALLED")), at(RAISE_BY + 1))

    [draft] = back(story, RAISE_BY + 2)

    assert draft.kind is MessageKind.ALERT
    assert "Rescue was called 11:06 by Dov Lind." in draft.text
    assert RESCUE not in draft.text


def test_whoever_has_the_alarm_or_answered_it_gets_it_no_second_time() -> None:
    """A late receipt of the alert itself is no news to them."""
    late_receipt, answered = passed_by("no_receipt"), passed_by()
    answered.does(do.Acknowledge(contact(0)), at(RAISE_BY + 1))

    assert back(late_receipt, RAISE_BY + 2, has_alarm=True) == []
    assert back(answered, RAISE_BY + 2) == []
    assert late_receipt.dive.unreachable == answered.dive.unreachable == ()


def test_who_was_not_passed_by_waits_for_their_turn() -> None:
    """The last contact was never alerted; a diver never is; before the alarm there is none."""
    story = passed_by()
    for person in ("contact-2", "diver-1"):
        story.does(do.NoteUnreachable(person, "refused"), at(RAISE_BY + 1))
        assert story.said(do.NoteReachable(person), at(RAISE_BY + 2)) == []

    calm = in_water()
    calm.does(do.NoteUnreachable("contact-0", "opted_out"), at(30))
    assert back(calm, 31) == []


def test_an_sos_that_somebody_missed_reaches_them_too() -> None:
    """An alarm that a person raised goes to all at once, so it passes by whoever cannot be reached."""
    story = in_water()
    story.does(do.NoteUnreachable("contact-0", "opted_out"), at(30))
    story.does(do.RaiseNow(diver("SOS lost Bram"), "lost Bram"), at(31))

    [draft] = back(story, 32)

    assert "ALARM: Anna Holt" in draft.text
    assert 'Last heard 10:31 Anna Holt: "SOS lost Bram".' in draft.text


# A contact's words for a contact


@pytest.mark.parametrize("by", [contact(words="CALLED"), ADMIN], ids=["a contact", "an admin"])
def test_called_before_the_start_is_answered_without_the_start_code(by: Actor) -> None:
    """Somebody ashore cannot know that they went in, and must not be told how to start the clock."""
    story = filed()

    refusal = story.does(do.ReportCalled(by), at(5))

    assert isinstance(refusal, Refusal)
    assert refusal.code == "not_started"
    assert refusal.words == "There is no alarm: nobody has said that they went in. Know of trouble? Text SOS 7K."
    assert general.refused(story.dive, refusal).startswith("Skerry Bay Divers: There is no alarm")


def test_called_before_the_start_by_a_diver_is_answered_with_the_start_code() -> None:
    """They may have forgotten it."""
    refusal = filed().does(do.ReportCalled(diver("CALLED")), at(5))

    assert isinstance(refusal, Refusal)
    assert "Text IN 482139." in refusal.words


# A diver whom no text reaches


@pytest.mark.parametrize(
    ("people", "said"),
    [
        ((), None),
        (("diver-0",), "Texts do not reach Anna Holt."),
        (("diver-1", "diver-0"), "Texts do not reach Anna Holt, Bram Vik."),
        (("contact-1",), None),
    ],
    ids=["none", "the lead", "both", "a contact"],
)
def test_the_contacts_hear_at_the_start_whom_no_text_reaches(people: tuple[str, ...], said: str | None) -> None:
    """Else they would take silence for an answer."""
    story = filed()
    for person in people:
        story.does(do.NoteUnreachable(person, "opted_out"), at(0))

    story.does(do.Start(diver("IN")), at(1))

    notice = story.texts_to("contact-0")[-1]
    assert ("Texts do not reach" in notice) is (said is not None)
    assert said is None or said in notice


# A slip in a position


def test_a_position_that_was_not_understood_is_answered_with_what_is_wrong() -> None:
    """The clock goes on, and the answer says how to write it."""
    story = in_water()
    words = "56.1 is one number: give latitude and longitude, as in 47.12345,-20.54321 or 47 07.407N 020 32.593W"

    [draft] = story.said(do.Hear(diver("AT 56.1"), "AT 56.1", "position", words), at(5))

    assert draft.text == (
        f"Skerry Bay Divers: not understood, nothing changed. The clock runs. Position: {words}."
        " Check it and text AT again."
    )
    assert story.dive.fix is None


@pytest.mark.parametrize(
    ("by", "near", "said"),
    [
        (contact(words="who is on scene"), "on_scene", "You can text WHERE 7K, PACK 7K, or ON SCENE 7K."),
        (contact(words="where is Bram"), "where", "You can text WHERE 7K, PACK 7K, or ON SCENE 7K."),
        (contact(words="at lantern"), "position", "A position? Text AT 47.12345,-20.54321."),
        (contact(words="hm"), None, "You can text AGREE 7K or DECLINE 7K."),
        (diver("at the site"), "on_scene", "Ashore for another dive? Text ON SCENE and its reference."),
        (diver("where is Bram"), "where", "Asking for the last position? Text WHERE 7K."),
        (diver("the pack"), "pack", "All out? Text OUT. Longer? LATE 20. Trouble? SOS."),
    ],
    ids=lambda value: value.words if isinstance(value, Actor) else None,
)
def test_a_text_that_is_nearly_about_places_is_answered_with_one_that_is(by: Actor, near: str, said: str) -> None:
    """In the words of whoever asked."""
    story = in_water()

    [draft] = story.said(do.Hear(by, by.words, near), at(5))

    assert draft.text == f"Skerry Bay Divers: not understood, nothing changed. The clock runs. {said}"


# Drills


def drill() -> Story:
    """A drill that is in the water and armed."""
    story = filed(drill=True)
    story.does(do.Start(diver("IN")), NOW)
    story.does(do.NoteHanded("start_notice", "contact-0"), at(seconds=2))
    return story


def played(*commands: tuple[float, do.Command]) -> Story:
    """A drill that ran to a moment, with what was said in it."""
    story = drill()
    for minutes, command in commands:
        story.runs_to(at(minutes))
        assert not isinstance(story.does(command, at(minutes)), Refusal)
    return story


WOULD_CALL = f"In a real alarm you would now call {RESCUE}"
DRILLS: dict[str, tuple[Callable[[], Story], str, str]] = {
    "start notice": (
        drill,
        "contact-0",
        f"Call them (+44 7700 900001). In a real alarm you would then call {RESCUE}. Call them even if we are silent.",
    ),
    "extension": (
        lambda: played((20, do.Extend(diver("LATE 20"), 20))),
        "contact-1",
        f"Call them (+44 7700 900001). In a real alarm you would then call {RESCUE}. Ref 7K.",
    ),
    "alert": (lambda: _ran(RAISE_BY), "contact-0", f"No answer? {WOULD_CALL}."),
    "distress": (lambda: _ran(DISTRESS), "contact-2", "EXERCISE. Skerry Bay Divers: OVERDUE: Anna Holt"),
    "what to do at distress": (lambda: _ran(DISTRESS), "contact-2", f"{WOULD_CALL}. Call them: +44 7700 900001."),
    "hand-up": (lambda: _ran(HAND_UP), "admins", f"{WOULD_CALL}."),
    "SOS": (lambda: played((20, do.RaiseNow(diver("SOS")))), "contact-1", f"{WOULD_CALL}. Reply OK 7K"),
    "answer to an SOS": (
        lambda: played((20, do.RaiseNow(diver("SOS")))),
        "diver-0",
        # They may be in earnest, and nobody acts on an exercise.
        "Your contacts are being told. No exercise? Call rescue: 07700 900999 (practice desk). All safe? OUT",
    ),
    "OK": (
        lambda: played((RAISE_BY + 1, do.Acknowledge(contact()))),
        "contact-0",
        f"Call +44 7700 900001. No answer? {WOULD_CALL}, then text CALLED 7K.",
    ),
    "news of an OK": (
        lambda: played((RAISE_BY + 6, do.Acknowledge(contact(1)))),
        "contact-0",
        "Dov Lind has the alarm for dive 7K since 11:11.",
    ),
    "partly out": (lambda: played((RAISE_BY, do.Finish(diver("OUT 1"), 1))), "contact-1", f"{WOULD_CALL}. Ref 7K."),
    "on scene": (
        lambda: played((RAISE_BY, do.ReportOnScene(contact()))),
        "contact-0",
        f"{WOULD_CALL}.",
    ),
    "on scene, rescue called": (
        lambda: played((RAISE_BY, do.ReportCalled(contact(1))), (RAISE_BY + 1, do.ReportOnScene(contact()))),
        "contact-0",
        "In a real alarm you would now tell rescue where to meet you.",
    ),
    "the end, rescue called": (
        lambda: played((RAISE_BY, do.ReportCalled(contact())), (RAISE_BY + 1, do.Finish(diver()))),
        "contact-1",
        "In a real alarm you would now tell rescue that it is over.",
    ),
    "the answer to the end, rescue called": (
        lambda: played((RAISE_BY, do.ReportCalled(contact())), (RAISE_BY + 1, do.Finish(diver()))),
        "diver-0",
        "In a real alarm you would now tell rescue that it is over.",
    ),
}


def _ran(minutes: float) -> Story:
    story = drill()
    story.runs_to(at(minutes))
    return story


@pytest.mark.parametrize(("make", "to", "said"), DRILLS.values(), ids=DRILLS)
def test_a_drill_says_what_a_real_alarm_would_ask(make: Callable[[], Story], to: str, said: str) -> None:
    """And asks nobody to do it."""
    text = make().texts_to(to)[-1]

    assert said in text
    assert text.startswith("EXERCISE. ")


def test_news_in_a_drill_prompts_nobody_to_call() -> None:
    """That nobody has called rescue yet is what a real alarm adds."""
    real = overdue(RAISE_BY + 5)
    real.does(do.Acknowledge(contact(1)), at(RAISE_BY + 6))

    assert real.texts_to("contact-0")[-1].endswith("Nobody has called rescue yet.")
    assert played((RAISE_BY + 6, do.Acknowledge(contact(1)))).texts_to("contact-0")[-1].endswith("since 11:11.")


def test_the_status_of_a_drill_asks_nobody_to_call_either() -> None:
    """Nor the plainest alarm, which knows only the bare row."""
    status = general.status(_ran(DISTRESS).dive, contact(), at(DISTRESS))
    fault = general.service_fault("Skerry Bay Divers", "Lantern Cove", RESCUE, "Anna Holt", None, drill=True)

    assert "ALARM is up since 11:05, a real alarm would go to rescue." in status
    assert fault.startswith("EXERCISE. Skerry Bay Divers: SERVICE FAULT")
    assert f"No answer? {WOULD_CALL}. Act on the plan" in fault


def test_of_a_real_danger_a_drill_speaks_as_well() -> None:
    """A strange phone, or an SOS hours after the end, may be no exercise."""
    story = drill()
    stranger = story.does(do.Acknowledge(STRANGER), at(5))
    story.does(do.Finish(diver()), at(30))
    late = story.does(do.RaiseNow(diver("SOS")), at(151))

    assert isinstance(stranger, Refusal)
    assert f"In danger call {RESCUE}" in stranger.words
    assert isinstance(late, Refusal)
    assert late.words.endswith(f"no alarm went out. No exercise? Call rescue: {RESCUE}")


def test_nothing_is_told_to_the_others_twice() -> None:
    """The contact who comes back is the only one who hears it."""
    story = passed_by()

    assert keys(back(story, RAISE_BY + 2)) == ["contact-0"]


def one_phone() -> Story:
    """A drill with one phone, in the water and armed."""
    plan = replace(PLAN, party=(Diver("Anna Holt", LEAD_PHONE),), contacts=(Contact("Anna Holt", LEAD_PHONE),))
    story = filed(plan, drill=True)
    story.does(do.Start(diver("IN")), NOW)
    story.does(do.NoteHanded("start_notice", "contact-0"), at(seconds=2))
    return story


def test_a_drill_with_one_phone_is_handed_up_to_nobody_and_stood_down() -> None:
    """Nobody is missing, so no admin is woken; the answer alone would leave the stand-down untried."""
    story = one_phone()
    story.runs_to(at(200))
    story.does(do.Finish(diver("OUT"), 1), at(201))

    assert {draft.to.key for _, draft in story.told} == {"diver-0", "contact-0"}
    assert [draft.to.key for _, draft in story.told if draft.kind is MessageKind.STAND_DOWN] == ["contact-0"]


def test_messages_of_a_drill_go_behind_all_real_ones_of_their_kind() -> None:
    """By rank, by which couriers go within a kind."""
    story = one_phone()
    story.runs_to(at(200))

    assert min(draft.rank for _, draft in story.told) > max(draft.rank for _, draft in overdue(200).told)
