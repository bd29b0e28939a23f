"""Events to messages: `messages_for(dive, event)`, where `dive` is the dive after the event."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any, Final

from service.domain.dive import events as ev
from service.domain.dive.state import Dive
from service.domain.wording import answers, as_it_stands, ending, ladder, outage, placing, rescue_called, restored
from service.domain.wording.by_way import by_every_way
from service.domain.wording.drafts import (
    CALLED,
    UNCALLED,
    Draft,
    LinkKind,
    MessageKind,
    says_of_rescue,
    untrue_steps,
)

# Within a kind whoever is of the lowest rank is told first, and a drill must not keep anybody who is in need waiting.
AFTER_REAL: Final = 1_000

_WORDS: dict[type, Callable[[Dive, Any], list[Draft]]] = {
    ev.Filed: answers.on_filed,
    ev.Started: ladder.on_started,
    ev.StartSaid: answers.on_start_said,
    ev.Armed: ladder.on_armed,
    ev.NotArmed: ladder.on_not_armed,
    ev.StepTaken: ladder.on_step,
    ev.ExtensionAsked: answers.on_extension_asked,
    ev.ExtensionTookEffect: answers.on_extension_in_force,
    ev.ExtensionNotInForce: answers.on_extension_not_in_force,
    ev.LatePassedOn: answers.on_late_passed_on,
    ev.PartlyOut: answers.on_partly_out,
    ev.AlarmRaised: ladder.on_alarm_raised,
    ev.Acknowledged: answers.on_acknowledged,
    ev.RescueCalled: rescue_called.on_rescue_called,
    ev.CalledTakenBack: rescue_called.on_called_taken_back,
    ev.FixReported: placing.on_fix,
    ev.ConditionsReported: placing.on_conditions,
    ev.OnScene: placing.on_scene,
    ev.Heard: answers.on_heard,
    ev.NoteAdded: answers.on_noted,
    ev.PersonUnreachable: answers.on_unreachable,
    ev.PersonReachable: as_it_stands.on_reachable,
    ev.ToldMeanwhile: outage.on_told_meanwhile,
    ev.Held: restored.on_held,
    ev.HoldEnded: restored.on_held,
    ev.Closed: ending.on_closed,
}


def messages_for(dive: Dive, event: ev.Event) -> list[Draft]:
    """What people are told of `event`; `dive` already contains it. Total and deterministic."""
    texts = [draft for draft in _WORDS[type(event)](dive, event) if _is_wanted(dive, draft)]
    drafts = by_every_way(dive, event, texts)
    return [replace(draft, rank=draft.rank + AFTER_REAL) for draft in drafts] if dive.drill else drafts


def _is_wanted(dive: Dive, draft: Draft) -> bool:
    """Who declined to be a contact gets answers to their texts, and the end of what they had been told of before."""
    declined = dive.declined_by(draft.to.key)
    if declined is None or draft.kind is MessageKind.REPLY:
        return True
    return draft.kind is MessageKind.STAND_DOWN and declined.told


__all__ = [
    "CALLED",
    "UNCALLED",
    "Draft",
    "LinkKind",
    "MessageKind",
    "messages_for",
    "says_of_rescue",
    "untrue_steps",
]
