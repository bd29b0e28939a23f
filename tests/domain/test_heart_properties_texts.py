"""What holds of every text that a dive sends, with the longest names, the longest words and any settings."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings

from service.domain.dive import Dive, Event, Refusal
from service.domain.dive.events import AlarmRaised, FixReported, Heard, StepTaken
from service.domain.encoding import is_gsm7, segments, septets, to_gsm7
from service.domain.grace import Step
from service.domain.language import LANGUAGES
from service.domain.people import ENGLISH, Actor, Channel, Role, Via
from service.domain.place.position import decimal
from service.domain.wording import Draft, LinkKind, MessageKind, general, placing
from service.domain.wording.drafts import ABOUT_A_POSITION, SEGMENTS, SEGMENTS_MAX
from tests.domain.heart_strategies import Life, Turn, in_language, lives, played, wild_lives

# What carriers act on, by the list of the CTIA's messaging principles and the practice of large providers.
CARRIER_WORDS = (
    *("STOP", "STOPALL", "UNSUBSCRIBE", "CANCEL", "END", "QUIT", "OPTOUT", "REVOKE"),
    *("START", "YES", "UNSTOP", "HELP", "INFO"),
)
COMMAND = re.compile(rf"\b(?:{'|'.join(CARRIER_WORDS)})\b")
LINK = re.compile(r"https?:|www\.|\w\.(?:com|org|net|uk)\b")
LEAD = Actor(Role.DIVER, "Anna Holt", Via.TEXT, "diver-0", "+447700900001", "STATUS")
ASHORE = Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, "contact-0", "+447700900200", "STATUS")

Message = tuple[Event, Dive, Draft]


def messages(turns: list[Turn]) -> list[Message]:
    """Every text of a life, with the event that caused it and the dive after it."""
    every = [(event, dive, draft) for turn in turns for event, dive, drafts in turn.steps for draft in drafts]
    return [(event, dive, draft) for event, dive, draft in every if draft.channel is Channel.TEXT]


def every_text(turns: list[Turn], language: str = ENGLISH) -> list[tuple[str, int]]:
    """Every text to anybody, refusals and status too, and how many segments it may have."""
    sent = [(draft.text, allowed(event, draft)) for event, _, draft in messages(turns)]
    for turn in turns:
        if isinstance(turn.decision, Refusal):
            sent.append((general.refused(turn.after, turn.decision, language), 1))
        sent += [(general.status(turn.after, who, turn.now), 1) for who in (LEAD, ASHORE)]
        sent.append((placing.where_they_are(turn.after, turn.now, language), ABOUT_A_POSITION))
        about_the_pack = (placing.pack_words, placing.pack_too_long, placing.no_pack, placing.pack_is_for_contacts)
        sent += [(words(turn.after, language), 1) for words in about_the_pack]
    return sent


def allowed(event: Event, draft: Draft) -> int:
    """The segments of a kind; an answer about a position that is not used, and a late plan to keep, have one more."""
    if draft.step.startswith("late_notice"):
        return SEGMENTS[MessageKind.START_NOTICE]
    slip = (isinstance(event, Heard) and event.trouble) or (isinstance(event, FixReported) and event.doubt)
    return ABOUT_A_POSITION if draft.kind is MessageKind.REPLY and slip else SEGMENTS[draft.kind]


@pytest.mark.parametrize("language", LANGUAGES)
@settings(max_examples=40)  # in each language
@given(life=lives)
def test_every_text_is_plain_and_fits(language: str, life: Life) -> None:
    """GSM 7-bit, within its segments, of the club or of Linetender, no link, no shouting, no carrier's word."""
    turns = list(played(in_language(life, language)))
    club = turns[0].after.club_name

    for text, most in every_text(turns, language):
        ours = text.replace("\n", " ")
        assert is_gsm7(text)
        assert len(segments(text).parts) <= most, text
        assert re.match(rf"(?:EXERCISE(?: \([^)]+\))?\. )?(?:{re.escape(club)}|Linetender): \S", text), text
        assert text.startswith("EXERCISE") is turns[0].after.drill
        assert "!" not in ours
        assert not LINK.search(ours)
        assert not COMMAND.search(ours), text
        assert "  " not in text
        assert " ." not in text
        assert "None" not in text
        assert "?:" not in text


# What sends somebody to rescue, in whatever words; of a real danger a drill may speak as well.
SENDS_TO_RESCUE = re.compile(
    r"(?<!you would now )(?<!you would then )\b(?:call|tell) rescue|\brescue(?: now)?:|, then rescue", re.IGNORECASE
)


@given(lives)
def test_a_drill_sends_nobody_to_call_rescue(life: Life) -> None:
    """Behind EXERCISE stands what a real alarm would ask, and a real one asks it."""
    turns = list(played(life))
    drill, rescue_call = turns[0].after.drill, turns[0].after.plan.site.rescue_call

    for text, _ in every_text(turns):
        if not drill:
            assert "real alarm" not in text
            continue
        assert not SENDS_TO_RESCUE.search(text.replace("No exercise? Call rescue:", "")), text
        assert (
            not re.search(rf"(?<!would now )(?<!would then )\bcall {re.escape(rescue_call)}", text) or "danger" in text
        )


ALARMS = (MessageKind.ALERT, MessageKind.DISTRESS)


def is_alarm(event: Event) -> bool:
    """Whether this event's messages are whole alarms, on which somebody acts who knows nothing else."""
    steps = (Step.ALERT, Step.NEXT_CONTACT, Step.DISTRESS, Step.DISTRESS_AGAIN, Step.HAND_UP)
    return isinstance(event, AlarmRaised) or (isinstance(event, StepTaken) and event.step in steps)


@given(lives)
def test_no_alarm_loses_what_somebody_must_act_on(life: Life) -> None:
    """Head count, position, times, the lead's number, whom to call, how to answer: whole, whatever the names."""
    for event, dive, draft in messages(list(played(life))):
        if not is_alarm(event) or draft.kind not in ALARMS:
            continue
        count = dive.head_count
        assert f"({count} diver{'s' if count > 1 else ''})." in draft.text
        known = dive.fix.position if dive.fix is not None else dive.plan.site.entry
        assert known is None or decimal(known) in draft.text
        assert dive.plan.site.rescue_call in draft.text
        assert "+44 7700 900001" in draft.text
        assert f"OK 7K (you act), CALLED 7K (rescue called), SAFE {count} 7K (all safe)." in draft.text
        assert dive.started_at is None or "due out" in draft.text
        assert draft.text.index(f"({count} diver") < draft.text.index("OK 7K")
        assert draft.link is LinkKind.ALARM


A_TIME = r"[\w: ]*\d\d:\d\d(?: [\w+-]+)?"  # the hour that comes twice says which it is


@given(lives)
def test_no_start_notice_loses_what_a_contact_must_hold(life: Life) -> None:
    """If everything of ours is gone afterwards, the contact still knows when to act, where and whom to call."""
    for event, dive, draft in messages(list(played(life))):
        if draft.step != "start_notice":
            continue
        position = dive.plan.site.entry if dive.fix is None else dive.fix.position
        assert position is None or decimal(position) in draft.text
        assert re.search(rf"Due out {A_TIME}\. Not heard by {A_TIME} that all are out\?", draft.text)
        call = dive.plan.site.rescue_call
        real = f", then rescue: {call}. Do so even if we are silent."
        drill = f". In a real alarm you would then call {call}. Call them even if we are silent."
        assert (drill if dive.drill else real) in draft.text
        assert "+44 7700 900001" in draft.text
        assert "Ref 7K." in draft.text
        assert event.at == draft.due_at


@given(lives)
def test_what_comes_back_to_a_text_tells_how_to_finish(life: Life) -> None:
    """Whoever is armed, reminded or late always reads the finish that will be taken."""
    for _, dive, draft in messages(list(played(life))):
        if draft.step.startswith(("armed", "heads_up", "due_out", "second_call", "extension_in_force")):
            needs = dive.grace.finish_needs.value
            count = dive.partly_out is not None or needs == "headcount"
            code = needs == "code" or draft.step.startswith("armed")
            expected = "OUT" + f" {dive.finish_code}" * code + f" {dive.head_count}" * count
            assert re.search(rf"ext {expected}(?:\.|$)", draft.text), draft.text


@given(wild_lives)
def test_any_text_at_all_in_names_and_words_still_makes_a_text(life: Life) -> None:
    """What a plan, a site or a sender brings along can make a text longer or poorer, never impossible."""
    for text, _ in every_text(list(played(life))):
        assert is_gsm7(text)
        assert len(segments(text).parts) <= SEGMENTS_MAX
        assert septets(to_gsm7(text)) == septets(text)
