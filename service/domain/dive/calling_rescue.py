"""That rescue was called, and that it was not after all: who says so, whose word stands, and what follows from it.

The last word for it that stands ends the repeats. What takes one back never calms anybody, so it needs no proof: it is
believed from everybody who belongs to the dive. Called twice, rescue asks once more; called by nobody, nobody comes.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta
from typing import Any

from service.domain.dive import commands as do
from service.domain.dive import refusals as no
from service.domain.dive.commands import Refusal
from service.domain.dive.events import CalledTakenBack, RescueCalled
from service.domain.dive.state import Dive, Phase, RescueCall, TakenBack, Told
from service.domain.grace import PARTY_STEPS, Step

SAID_TWICE_WITHIN = timedelta(minutes=2)
CLOCKS_APART = timedelta(minutes=2)  # by how much a gateway's may be behind another; doubt is the safe side


def report_called(dive: Dive, command: do.ReportCalled, now: datetime) -> tuple[RescueCalled, ...] | Refusal:
    """Somebody of the dive called rescue."""
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if command.by.is_outsider:
        return no.not_of_this_dive(dive, now)
    if dive.phase is Phase.FILED:
        return no.not_started(dive, command.by, now)
    return (RescueCalled(now, command.by, command.reference, beside=dive.called_at is not None),)


def take_back_called(dive: Dive, command: do.TakeBackCalled, now: datetime) -> tuple[CalledTakenBack, ...] | Refusal:
    """Whoever said it takes back their own word. Of somebody else it is a doubt about all that stand, and they fall.

    But for what somebody says of themselves alone ("I have not called"): that is answered with who has. What lay
    somewhere on its way takes back nothing that was said after it.
    """
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if command.by.is_outsider:
        return no.not_of_this_dive(dive, now)
    if dive.phase is Phase.FILED:
        return no.not_started(dive, command.by, now)
    if not dive.rescue_calls:
        return no.not_called(dive, now)
    said_at = command.by.said_at or now
    before = [call for call in dive.rescue_calls if (call.by.said_at or call.at) <= said_at + CLOCKS_APART]
    standing, own = [call.by.own_key for call in before], command.by.own_key
    falls = [key for key in standing if key == (command.whose or own)]
    of_one = command.own or command.whose is not None or _has_just_said_so(dive, own, now)
    if not standing or (not falls and of_one):
        return no.called_by_another(dive, now)
    whose = tuple(falls or standing)
    return (CalledTakenBack(now, command.by, whose, stands=len(whose) < len(dive.rescue_calls)),)


def _has_just_said_so(dive: Dive, own_key: str, now: datetime) -> bool:
    """Whether it is their word of just now that comes twice, which is no doubt about what somebody else says."""
    return any(one.by.own_key == own_key and now - one.at < SAID_TWICE_WITHIN for one in dive.taken_back)


def after_call(dive: Dive, event: RescueCalled) -> dict[str, Any]:
    """What a word that rescue was called changes in a dive, but for its phase."""
    over = tuple(step for step in (*PARTY_STEPS, Step.ALERT, Step.DISTRESS) if step not in dive.steps)
    changes: dict[str, Any] = {"alarm_at": dive.alarm_at or event.at, "steps": dive.steps + over, "extension": None}
    if not event.beside:
        return changes | {
            "called_at": event.at,
            "called_by": event.by,
            "called_reference": event.reference or dive.called_reference,
        }
    said_before = {call.by.own_key: call.reference for call in dive.rescue_calls}
    own = event.by.own_key
    call = RescueCall(event.at, event.by, event.reference or said_before.get(own))
    return changes | _called_by(*_without(dive, (own,)), call)


def after_taking_back(dive: Dive, event: CalledTakenBack) -> dict[str, Any]:
    """What it changes: where nobody's word stands any more all are told to call rescue, and the repeats count anew."""
    fallen = tuple(TakenBack(call, event.at, event.by) for call in dive.rescue_calls if call.by.own_key in event.whose)
    before = tuple(one for one in dive.taken_back if one.call.by.own_key not in event.whose)
    changes = _called_by(*_without(dive, event.whose)) | {"taken_back": (*before, *fallen)}
    if event.stands:
        return changes
    known = dive.alerted_keys()
    return changes | {
        "distress_at": event.at,
        "distress_count": dive.distress_count + 1,
        "alerted": dive.alerted + tuple(Told(one.key, event.at) for one in dive.contacts if one.key not in known),
    }


def _without(dive: Dive, keys: Sequence[str]) -> tuple[RescueCall, ...]:
    return tuple(call for call in dive.rescue_calls if call.by.own_key not in keys)


def _called_by(*calls: RescueCall) -> dict[str, Any]:
    """The fields for these words. An incident's number is told whoever gave it, as long as their word stands."""
    last = calls[-1] if calls else None
    return {
        "called_at": None if last is None else last.at,
        "called_by": None if last is None else last.by,
        "called_reference": next((call.reference for call in reversed(calls) if call.reference), None),
        "called_by_several": calls if len(calls) > 1 else (),
    }
