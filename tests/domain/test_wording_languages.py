"""Every message of a dive in every language, with the longest names: what it must say, in which order, how long."""

from __future__ import annotations

import re
from datetime import datetime
from functools import cache

import pytest

from service.domain import local_time
from service.domain.dive import Dive
from service.domain.dive.events import AlarmRaised, Closed, Event, FixReported, Heard, Started, StepTaken
from service.domain.encoding import is_gsm7, segments, to_gsm7
from service.domain.grace import Step
from service.domain.language import LANGUAGES, Words, render
from service.domain.phone import national_format
from service.domain.place.position import decimal
from service.domain.wording import MessageKind, general, placing
from service.domain.wording.drafts import ABOUT_A_POSITION, SEGMENTS, exercise_mark
from service.domain.wording.phrases import call_rescue, heads, how_to_answer, out_with_code, ref, since
from tests.domain.every_message import LONG_REFERENCE, Play, Told, every_play, texts
from tests.domain.said import all_said

ALARMS = (MessageKind.ALERT, MessageKind.DISTRESS)
LADDER = (Step.ALERT, Step.NEXT_CONTACT, Step.DISTRESS, Step.DISTRESS_AGAIN)
OF_TEXTS = tuple(
    f"service/domain/{room}"
    for room in ("wording/answers", "wording/ladder", "wording/raised_answer", "wording/ending")
)

every = pytest.mark.parametrize("language", LANGUAGES)
real_or_drill = pytest.mark.parametrize("drill", [False, True], ids=["real", "drill"])


@cache
def plays(language: str, drill: bool) -> tuple[Play, ...]:  # noqa: FBT001 - a key of the cache
    """Every message of the heart in a language; played once."""
    return tuple(every_play(language, drill=drill))


def told(language: str, *, drill: bool) -> list[Told]:
    """Every text to a person of that language."""
    return texts(list(plays(language, drill)))


def in_text(words: Words, language: str) -> str:
    """Words as they are in a text."""
    return to_gsm7(render(words, language))


def allowed(one: Told) -> int:
    """The segments of its kind; an answer about a position that is not used, and a late plan to keep, have one more."""
    if one.draft.step.startswith("late_notice"):
        return SEGMENTS[MessageKind.START_NOTICE]
    slip = (isinstance(one.event, Heard) and one.event.trouble) or (
        isinstance(one.event, FixReported) and one.event.doubt
    )
    return ABOUT_A_POSITION if one.draft.kind is MessageKind.REPLY and slip else SEGMENTS[one.draft.kind]


def is_alarm(event: Event) -> bool:
    """Whether its messages to contacts are whole alarms, on which somebody acts who knows nothing else."""
    return isinstance(event, AlarmRaised) or (isinstance(event, StepTaken) and event.step in LADDER)


def assert_in_order(text: str, *elements: str) -> None:
    """Each is in the text, whole, behind the one before."""
    end = 0
    for element in elements:
        assert element in text[end:], f"{element!r} is not at its place in {text!r}"
        end = text.index(element, end) + len(element)


def clock(dive: Dive, at: datetime | None, now: datetime, language: str) -> str:
    """One of a dive's times as people of that language read it."""
    assert at is not None
    return to_gsm7(local_time.say(at, dive.plan.site.zone, now, language))


@every
@real_or_drill
def test_every_text_fits_its_budget(language: str, drill: bool) -> None:  # noqa: FBT001 - a table
    """A language that needs more words says less, it does not cost more."""
    for one in told(language, drill=drill):
        assert is_gsm7(one.draft.text)
        assert len(segments(one.draft.text).parts) <= allowed(one), (len(one.draft.text), one.draft.text)
        assert "{" not in one.draft.text


@every
@real_or_drill
def test_every_refusal_and_answer_on_request_fits_its_budget(language: str, drill: bool) -> None:  # noqa: FBT001
    """What is asked for by text is answered in one segment, a position in two."""
    for play in plays(language, drill):
        for dive, refusal in play.refused:
            assert len(segments(general.refused(dive, refusal, language)).parts) == 1
        dive = play.told[-1].dive
        for words in (placing.pack_words, placing.pack_too_long, placing.no_pack, placing.pack_is_for_contacts):
            assert len(segments(words(dive, language)).parts) == 1
        assert len(segments(placing.where_they_are(dive, play.now, language)).parts) <= ABOUT_A_POSITION


@every
@real_or_drill
def test_an_alarm_says_all_of_it_in_its_order(language: str, drill: bool) -> None:  # noqa: FBT001 - a table
    """Who and how many, position, since when, whom to call, how to answer, with the reference; whole, in that order."""
    seen = 0
    for one in told(language, drill=drill):
        if not is_alarm(one.event) or one.draft.kind not in ALARMS:
            continue
        dive, seen = one.dive, seen + 1
        known = dive.plan.site.entry if dive.fix is None else dive.fix.position
        assert known is not None
        assert_in_order(
            one.draft.text,
            f"({in_text(heads(dive.head_count), language)}).",
            decimal(known),
            in_text(since(dive, one.event.at).words, language),
            in_text(how_to_answer(dive).words, language),
        )
        assert call_rescue(dive) in one.draft.text
        assert national_format("+447700900001") in one.draft.text
    assert seen > 10


@every
@real_or_drill
def test_a_start_notice_holds_what_a_paper_plan_would(language: str, drill: bool) -> None:  # noqa: FBT001 - a table
    """Who and how many, position, whom to call after which time, the reference."""
    notices = [one for one in told(language, drill=drill) if one.draft.step == "start_notice"]

    for one in notices:
        dive, now = one.dive, one.event.at
        assert isinstance(one.event, Started)
        assert dive.plan.site.entry is not None
        assert_in_order(
            one.draft.text,
            f"({in_text(heads(dive.head_count), language)})",
            decimal(dive.plan.site.entry),
            clock(dive, dive.due_out_at, now, language),
            clock(dive, dive.raise_by_at, now, language),
            national_format("+447700900001"),
            call_rescue(dive),
            in_text(ref(dive).words, language),
        )
    assert notices


@every
@real_or_drill
def test_armed_says_until_when_and_how_to_finish(language: str, drill: bool) -> None:  # noqa: FBT001 - a table
    """The word that the site signs teach comes first, in every language."""
    armed = [one for one in told(language, drill=drill) if one.draft.step.startswith("armed")]

    for one in armed:
        dive, now = one.dive, one.event.at
        due, alarm = clock(dive, dive.due_out_at, now, language), clock(dive, dive.raise_by_at, now, language)
        assert_in_order(one.draft.text, ": ARMED", due, alarm, out_with_code(dive))
    assert armed


@every
@real_or_drill
def test_a_stand_down_says_whose_word_it_is_and_which_dive(language: str, drill: bool) -> None:  # noqa: FBT001
    """Count and reference are whole; of the names at least the first word."""
    ends = [one for one in told(language, drill=drill) if one.draft.kind is MessageKind.STAND_DOWN]

    for one in ends:
        assert isinstance(one.event, Closed)
        assert one.event.by.name.split()[0] in one.draft.text
        assert in_text(ref(one.dive).words, language) in one.draft.text
    assert ends


@every
@real_or_drill
def test_who_asks_and_who_is_told_is_named_at_the_beginning(language: str, drill: bool) -> None:  # noqa: FBT001
    """The club's name or ours, and before it EXERCISE in a drill, explained where there is room."""
    mark = in_text(exercise_mark(drill=True)[0].words, language)
    for one in told(language, drill=drill):
        match = re.match(r"(EXERCISE[^:]*\. )?(?:The Royal[^:]*|Linetender): \S", one.draft.text)
        assert match is not None, one.draft.text
        assert (match[1] is not None) is drill
        assert match[1] in (None, f"{mark} ", "EXERCISE. ")


def test_the_incident_number_of_rescue_is_passed_on() -> None:
    """In full where there is room; the longest loses its tail, not its beginning."""
    called = [one for one in told("de", drill=False) if one.draft.step.startswith("called")]

    assert any(LONG_REFERENCE[:12] in one.draft.text for one in called)


def test_everything_that_the_heart_says_of_a_dive_is_played_here() -> None:
    """A new message is not left out of this file unseen: every one is found in what somebody was told."""
    heard = {one.draft.full for drill in (False, True) for play in plays("en", drill) for one in play.told}
    said = [said for said in all_said() if said.where.startswith(OF_TEXTS)]

    unheard = {said.msgid for said in said if not any(is_in(form, heard) for form in (said.msgid, said.plural) if form)}

    assert unheard <= NOT_PLAYED


# Of a dive that no form takes: a lead without a phone, a contact who is not in the plan.
NOT_PLAYED = {"Call them. No answer?", "no phone", "A contact"}


def is_in(msgid: str, texts: set[str]) -> bool:
    """Whether the English of a message, with anything in its gaps, is in any of the texts."""
    pieces = re.split(r"\{\w+\}", msgid)
    whole = re.compile(".+".join(map(re.escape, pieces)))
    # A gap may end anywhere, so that a text without all the pieces takes long to say no.
    return any(whole.search(text) for text in texts if all(piece in text for piece in pieces))
