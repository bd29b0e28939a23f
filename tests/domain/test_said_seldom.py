"""Sentences that are seldom said: to whom they go, and what they must hold."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest

from service.domain.dive import Phase
from service.domain.dive import commands as do
from service.domain.dive.events import REAL_ALARM
from service.domain.grace import FinishNeeds, Step
from service.domain.people import Channel
from service.domain.place.position import Position
from service.domain.texts.examples import coming_out, going_in, more_time, safe
from service.domain.texts.intent import Kind
from service.domain.texts.reading import read
from service.domain.wording import general, introducing, spoken
from service.domain.wording.outage import unconfirmed
from service.domain.wording.phrases import call_them_then_rescue, from_site
from service.domain.wording.timeline import what_happened
from tests.domain.builders import ADMIN, PLAN, RAISE_BY, RESCUE, at, diver, filed, in_water, overdue

CLUB = "Skerry Bay Divers"
MARKED = {"real": False, "drill": True}


@pytest.mark.parametrize(("told", "others"), [(True, True), (False, False)])
def test_whose_dive_cannot_be_read_hears_whom_to_call(*, told: bool, others: bool) -> None:
    """Their text may have changed nothing, so that they must phone."""
    words = general.unreadable(CLUB, RESCUE, told=told, others=others)

    assert "cannot be read" in words
    assert "Phone your contacts." in words
    assert RESCUE in words
    assert ("Your contacts are told." in words) is told
    assert ("your text changed nothing" in words) is not others


@pytest.mark.parametrize("told", [True, False])
def test_whose_text_broke_us_hears_that_it_changed_nothing(*, told: bool) -> None:
    """And whom to call."""
    words = general.put_aside(CLUB, RESCUE, told=told)
    assert words.startswith(f"{CLUB}: our fault: your text changed nothing.")
    assert RESCUE in words
    assert ("Your contacts are told." in words) is told


@pytest.mark.parametrize("drill", MARKED.values(), ids=MARKED)
def test_the_plainest_alarm_is_ended_with_who_said_so(*, drill: bool) -> None:
    """Whoever was told to act hears that it is over, and that a drill was one."""
    words = general.service_fault_over(CLUB, "Anna Holt", "Lantern Cove", "Finn Gray", "7K", drill=drill)

    assert "Anna Holt, Lantern Cove: the dive is over. Said by Finn Gray." in words
    assert "stand down" in words
    assert ("EXERCISE" in words) is drill


@pytest.mark.parametrize("lead_phone", ["+447700900001", None])
@pytest.mark.parametrize("drill", MARKED.values(), ids=MARKED)
def test_the_plainest_alarm_says_whom_to_call(lead_phone: str | None, *, drill: bool) -> None:
    """The lead where they have a phone, then rescue; in a drill nobody is to call rescue."""
    words = general.service_fault(CLUB, "Lantern Cove", RESCUE, "Anna Holt", lead_phone, drill=drill)

    assert RESCUE in words
    assert ("Call +44 7700 900001" in words) is (lead_phone is not None)
    assert ("In a real alarm you would" in words) is drill


@pytest.mark.parametrize(("kind", "does"), [("start", "starts the clock: text IN"), ("finish", "stops the clock")])
def test_a_code_with_the_wrong_word_is_said_to_be_the_other_one(kind: str, does: str) -> None:
    """Nothing has changed by it."""
    words = general.other_code(CLUB, kind)

    assert does in words
    assert "Nothing changed." in words


@pytest.mark.parametrize(
    ("agrees", "alarmed", "lead_told", "words"),
    [
        (True, ["7K"], False, "Do you act on it? Text OK 7K."),
        (True, [], False, "you are a shore contact"),
        (False, [], True, "Who named you is told."),
        (False, ["7K"], False, "No plan or alarm goes to you from now on."),
    ],
)
def test_agree_and_decline_are_answered_with_what_follows(
    *, agrees: bool, alarmed: list[str], lead_told: bool, words: str
) -> None:
    """AGREE is no OK: whoever acts on an alarm is asked to say so."""
    assert words in introducing.answer(CLUB, agrees=agrees, alarmed=alarmed, lead_told=lead_told)


def test_who_was_never_named_has_nothing_to_agree_to() -> None:
    """And hears that nothing was noted."""
    assert "nothing was noted" in introducing.never_named(CLUB)


def test_without_the_database_a_call_says_that_nothing_is_confirmed() -> None:
    """A text has words of its own for it; what is spoken begins with the doubt."""
    cleo = replace(PLAN.contacts[0], channels=(Channel.CALL,))
    story = in_water(replace(PLAN, contacts=(cleo, *PLAN.contacts[1:])), calls=True)
    story.runs_to(at(RAISE_BY - 1))
    before = len(story.told)
    story.runs_to(at(RAISE_BY))
    event, drafts = story.told[before][0], [draft for _, draft in story.told[before:]]

    told = unconfirmed(story.dive, event, drafts)

    (call,) = [draft for draft in told if draft.channel is Channel.CALL]
    assert call.text.startswith("This is not confirmed: our service has a fault.")
    assert all("NOT CONFIRMED" in draft.text for draft in told if draft.channel is Channel.TEXT)


def test_a_contact_of_a_lead_without_a_phone_is_told_to_call_them_all_the_same() -> None:
    """They know them; rescue comes next, in a drill only in words."""
    no_phone = replace(PLAN, party=(replace(PLAN.party[0], phone=None), PLAN.party[1]))
    real, drill = (replace(filed(drill=drill).dive, plan=no_phone) for drill in (False, True))

    assert str(call_them_then_rescue(real).msgid).startswith("Call them, then rescue")
    assert str(call_them_then_rescue(drill).msgid) == "Call them. {real}"


@pytest.mark.parametrize("real_alarm", [False, True])
def test_a_call_at_the_end_of_an_exercise_says_that_it_was_one(*, real_alarm: bool) -> None:
    """Also where it gave way to a real alarm."""
    story = filed(drill=True)
    story.does(do.EndDrill(ADMIN, real_alarm=real_alarm), at(5))
    closed = story.events[-1]

    words = spoken.stand_down(story.dive, story.dive.contacts[0], closed)  # type: ignore[arg-type]

    assert "exercise is over" in words
    assert ("because of a real alarm" in words) is (closed.reason == REAL_ALARM)  # type: ignore[union-attr]


def test_a_call_at_the_end_of_a_dive_that_was_called_off_says_that_nobody_dives() -> None:
    """And whose word that is."""
    story = filed()
    story.does(do.CallOff(diver("NOGO")), at(5))

    words = spoken.stand_down(story.dive, story.dive.contacts[0], story.events[-1])  # type: ignore[arg-type]

    assert "was called off. Nobody is diving." in words
    assert "Said by Anna Holt" in words


@pytest.mark.parametrize(
    ("answer", "words"),
    [
        (spoken.heard_it, "Goodbye"),
        (spoken.over_already, "nothing to do"),
        (spoken.not_known, "act on what you have heard"),
        (spoken.wrong_key, "press 1"),
    ],
)
def test_every_key_is_answered(answer: object, words: str) -> None:
    """Whoever pressed one hears what came of it."""
    assert words in answer("en")  # type: ignore[operator]


def test_a_text_that_is_read_out_ends_with_the_key() -> None:
    """Where nothing but the text is known it is still an alarm that can be taken."""
    words = spoken.as_said("Call 07700 900999.")

    assert words.startswith("Call 0 7 7 0 0, 9 0 0 9 9 9.")
    assert "press 1" in words.lower()


def test_words_that_had_their_answer_are_passed_on_and_not_answered() -> None:
    """A phone that writes without end costs no answers without end, but contacts hear all of it in an alarm."""
    story = overdue(RAISE_BY)
    told = story.said(do.Hear(diver("no idea"), "no idea", answer=False), at(RAISE_BY + 1))

    assert {draft.to.key for draft in told} == {"contact-0", "contact-1", "contact-2"}


def test_an_exercise_of_one_phone_is_stood_down_on_it_and_handed_to_nobody() -> None:
    """No person has to take notice of it; its stand-down is the last leg that is tried."""
    own = replace(PLAN.contacts[0], phone=PLAN.party[0].phone or "")
    story = filed(replace(PLAN, party=PLAN.party[:1], contacts=(own,)), drill=True)
    story.does(do.Start(diver("IN 1")), at())
    story.runs_to(at(24 * 60))
    assert Step.DISTRESS in story.steps()
    assert Step.HAND_UP not in story.steps()

    told = story.said(do.Finish(diver("OUT"), 1), at(24 * 60 + 1))

    assert "contact-0" in {draft.to.key for draft in told}


def test_the_timeline_says_when_the_clock_goes_on() -> None:
    """After a restored copy the party is asked first, and somebody may end that wait."""
    story = in_water()
    story.does(do.Hold(ADMIN, at(-60), at(1), at(30)), at(1))
    story.does(do.EndHold(ADMIN), at(2))

    assert "restored from a copy" in what_happened(story.dive, story.events[-2])
    assert "The clock goes on without waiting" in what_happened(story.dive, story.events[-1])


@pytest.mark.parametrize(
    ("text", "kind", "count"),
    [
        (going_in("LANTERN", 50, 2), Kind.START, 2),
        (coming_out(2), Kind.FINISH, 2),
        (more_time(20), Kind.LATE, None),
        (safe(2), Kind.SAFE, 2),
    ],
)
def test_what_is_taught_is_what_is_read(text: str, kind: Kind, count: int | None) -> None:
    """A printed sheet cannot teach a word that is not read."""
    intent = read(text)

    assert (intent.kind, intent.count) == (kind, count)


@pytest.mark.parametrize(
    ("phase", "days", "reference"),
    [(Phase.IN_WATER, -3, "7" * 18), (Phase.UNCERTAINTY, 3, "7" * 18), (Phase.DISTRESS, 3, "7" * 90)],
    ids=["in the water", "overdue", "alarm is up"],
)
def test_the_answer_to_status_leaves_out_the_alarm_where_there_is_no_room(
    phase: Phase, days: int, reference: str
) -> None:
    """What matters in one segment; of an alarm that is up nothing is left out."""
    day = at(30 * 24 * 60)
    lead = replace(PLAN.party[0], language="fr")
    dive = in_water(replace(PLAN, party=(lead, PLAN.party[1])), armed=False).dive
    code = replace(dive.grace, finish_needs=FinishNeeds.CODE)
    dive = replace(dive, phase=phase, due_out_at=day, head_count=12, partly_out=2, reference=reference, grace=code)

    dive = replace(dive, alarm_at=day, drill=True)

    text = general.status(dive, diver("STATUS"), day + timedelta(days=days))

    assert dive.reference in text
    assert ("alerte" in text.lower()) is (phase is Phase.DISTRESS)


def test_nothing_is_said_of_a_direction_from_a_site_without_a_position() -> None:
    """Nor of a position at the site itself."""
    nowhere = replace(in_water().dive, plan=replace(PLAN, site=replace(PLAN.site, position=None, points=())))

    assert from_site(nowhere, Position(47.2, -20.6)) == []
