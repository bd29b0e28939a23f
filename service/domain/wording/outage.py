"""What is told while the database is gone: the ladder's alarms by a keeper's snapshot, and that nothing confirms them.

Each says first that it is not confirmed and why, then what an alarm says: they may be out, and their word for it may
lie where nobody can read it yet.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from service.domain.dive.events import AlarmRaised, Event, StepTaken, ToldMeanwhile
from service.domain.dive.state import Dive
from service.domain.grace import Step
from service.domain.language import Phrase, render, say
from service.domain.people import Channel
from service.domain.wording.drafts import SEGMENTS, Draft, MessageKind, to_each, worded
from service.domain.wording.general import plain
from service.domain.wording.ladder import what_to_say
from service.domain.wording.parts import Part, keep, may_go
from service.domain.wording.phrases import (
    about_whom,
    call_rescue,
    call_them,
    elsewhere,
    last_heard,
    number_of,
    out_so_far,
    quote,
    since,
    to_rescue,
    where,
)
from service.domain.wording.rescue_called import not_called_cry

_DISTRESS = (Step.DISTRESS, Step.DISTRESS_AGAIN)
_ALARMS = (MessageKind.DISTRESS, MessageKind.ALERT)


def unconfirmed(dive: Dive, event: Event, drafts: Sequence[Draft]) -> list[Draft]:
    """What goes out of `drafts`, the messages for `event`, when it is decided by a snapshot.

    What is urgent goes, with no link: no page of ours can be opened now. So does the answer to a call for help: whoever
    hears nothing may believe that nobody has. Of the clock's own alarms each says that it is not confirmed; what
    somebody has said needs no other word for it.
    """
    least = MessageKind.REPLY if isinstance(event, AlarmRaised) else MessageKind.STAND_DOWN
    urgent = [replace(draft, link=None) for draft in drafts if draft.kind <= least]
    if hasattr(event, "by"):
        return urgent
    return [_reworded(dive, event, draft) if draft.kind in _ALARMS else draft for draft in urgent]


def on_told_meanwhile(_: Dive, __: ToldMeanwhile) -> list[Draft]:
    """Nobody is told again: they have been, and the ladder goes on from there."""
    return []


def help_unheard(club_name: str, rescue_call: str, language: str) -> str:
    """To whoever calls for help where no dive of theirs is known: what there may be of it nobody can look up now."""
    words = say(
        "our service has a fault, so this may have reached nobody. Call rescue now: {rescue}", rescue=rescue_call
    )
    return plain(club_name, words, language)


def help_for_admins(club_name: str, rescue_call: str, sender: str, words: str, language: str) -> str:
    """To a club's admins, of somebody who calls for help where no dive of theirs is known. `sender`: their number."""
    parts = [
        keep(say("SOS from {number}: {quote}.", number=number_of(sender), quote=quote(words))),
        keep(say("Our service has a fault: maybe nobody else hears of it.")),
        keep(say("Call them, then rescue: {rescue}.", rescue=rescue_call)),
    ]
    return worded(club_name, parts, SEGMENTS[MessageKind.ALERT], language)


def _reworded(dive: Dive, event: Event, draft: Draft) -> Draft:
    if draft.channel is Channel.TEXT and isinstance(event, StepTaken):
        [same] = to_each(dive, [draft.to], draft.kind, event.step, _parts(dive, event), event.due_at)
        return replace(draft, text=same.text, whole=same.whole)
    doubt = render(say("This is not confirmed: our service has a fault."), draft.to.language)
    return replace(draft, text=f"{doubt} {draft.text}")


def _parts(dive: Dive, event: StepTaken) -> list[Part]:
    call = to_rescue(dive, say("Call rescue: {rescue}.", rescue=call_rescue(dive)))
    say_what = may_go(2, say("Say {what}, give position.", what=what_to_say(dive)))
    # Whoever called for help has not come out by that: their own words say more than when they were due.
    doubt = (
        [keep(say("They may be out: texts cannot reach us."))] if dive.raised_by is None else last_heard(dive, event.at)
    )
    facts = [
        *_cry(dive, event),
        about_whom(dive),
        *out_so_far(dive),
        *where(dive, event.at),
        since(dive, event.at),
        *(may_go(3, words) for words in elsewhere(dive)),
        *doubt,
    ]
    if event.step in _DISTRESS:
        act = [keep(call), *call_them(dive, behind_rescue=True)]
    else:
        act = [*call_them(dive), keep(say("No answer? {rescue}", rescue=call))]
    answer = keep(say("Reply OK {ref}, CALLED {ref} or SAFE {all} {ref}.", ref=dive.reference, all=dive.head_count))
    return [*facts, *act, *([] if dive.drill else [say_what]), answer]


def _cry(dive: Dive, event: StepTaken) -> list[Part]:
    """Who believed that rescue was called has waited for nothing: that stands before all in what is handed up."""
    if event.step is Step.HAND_UP and dive.not_called_after_all:
        overdue, raised = say("SERVICE FAULT, NOT CONFIRMED. OVERDUE:"), say("SERVICE FAULT, NOT CONFIRMED. ALARM:")
        return [keep(overdue if dive.raised_by is None else raised), keep(not_called_cry(dive))]
    return [keep(_overdue(dive, event) if dive.raised_by is None else _raised(dive, event))]


def _overdue(dive: Dive, event: StepTaken) -> Phrase:
    if event.step in _DISTRESS and not dive.drill:
        return say("SERVICE FAULT, NOT CONFIRMED. OVERDUE, CALL RESCUE NOW:")
    if event.step is Step.HAND_UP and dive.acknowledged:
        return say("SERVICE FAULT, NOT CONFIRMED. OVERDUE, answered but not resolved:")
    if event.step is Step.HAND_UP:
        return say("SERVICE FAULT, NOT CONFIRMED. OVERDUE, no contact has answered:")
    return say("SERVICE FAULT, NOT CONFIRMED. OVERDUE:")


def _raised(dive: Dive, event: StepTaken) -> Phrase:
    if event.step in _DISTRESS and not dive.drill:
        return say("SERVICE FAULT, NOT CONFIRMED. ALARM, CALL RESCUE NOW:")
    if event.step is Step.HAND_UP and dive.acknowledged:
        return say("SERVICE FAULT, NOT CONFIRMED. ALARM, answered but not resolved:")
    if event.step is Step.HAND_UP:
        return say("SERVICE FAULT, NOT CONFIRMED. ALARM, no contact has answered:")
    return say("SERVICE FAULT, NOT CONFIRMED. ALARM:")
