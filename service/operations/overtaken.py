"""What got through after the word that takes its place: whoever has it last would believe what is no longer so.

A process that stood still with a message in its hands sends it when it goes on, and a gateway that is slow takes one
when it will: an alarm or a notice of a dive that was closed meanwhile, a stand-down of one that was opened again, a
later raise-by time of one that is in alarm, that nobody has called rescue when somebody has. Nobody can call that back,
so the word that holds follows once more: the stand-down, the whole alarm, or that rescue was called. Twice is as good
as once.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.dive.state import ALARMED
from service.domain.wording import CALLED, UNCALLED, MessageKind, untrue_steps
from service.operations.recording import SUPERSEDED_AT_ALARM, SUPERSEDED_AT_REOPENING
from service.operations.retrying import ALARMS
from service.operations.service import Service
from service.operations.telling import LADDER
from service.store import log, outbox
from service.store.outbox import LEASED, QUEUED, Message

# Whoever has one of these last acts on it, at the latest at the raise-by time that it names.
_ACTED_UPON: Final = (*ALARMS, MessageKind.START_NOTICE)
_LATE_NOTICE: Final = "late_notice-"  # as urgent as news, and acted upon as a start notice is
_CALMS: Final = (*SUPERSEDED_AT_REOPENING, *SUPERSEDED_AT_ALARM)
# Alarms on which somebody can act who knows nothing else; what is told of an alarm beside them is not.
_WHOLE: Final = tuple(f"{name}-" for name in ("raised", "reachable", "alarm_call", UNCALLED, *LADDER))


def is_overtaken(message: Message, phase: str | None) -> bool:
    """Whether this, of a dive that is in this phase by now, would mislead whoever has it last."""
    kind = MessageKind(message.priority)
    if phase == Phase.CLOSED:
        return kind in _ACTED_UPON or message.step.startswith(_LATE_NOTICE)
    return phase in ALARMED and kind in _CALMS


@dataclass(frozen=True, slots=True)
class _Holds:
    """The word that holds: which messages say it, and what the log calls it that one goes once more."""

    says: Callable[[Message], bool]
    again: str


def follow(service: Service, session: Session, message: Message, dive: Dive | None, now: datetime) -> None:
    """An attempt at a message ended, or may have: let the word that holds follow it. Its dive is locked already."""
    holds = None if dive is None else _what_holds(message, dive)
    if dive is None or holds is None:
        return
    told = outbox.of_dive(session, dive.id)
    later = [one for one in told if holds.says(one) and _comes_after(one, message)]
    if any(_will_go(one) for one in later):
        return  # what has not left yet follows by itself
    last = _last_with_a_gateway(later)
    if last is None:
        return
    # Given up with its carrier, and taken all the same once that goes on, it is followed each time.
    times = sum(f"-{message.id[:8]}" in one.step for one in told)
    step = f"{last.step}-{message.id[:8]}" + (f"-{times}" if times else "")
    again = outbox.queue(session, replace(outbox.copied(last, step, now), cause_seq=None))  # no event is its cause
    if again is not None:
        _log(service, session, holds.again, message, again, now)


def _what_holds(message: Message, dive: Dive) -> _Holds | None:
    """The word that takes the place of a message; None where that would not mislead whoever has it last."""
    untrue = message.step.startswith(untrue_steps(dive))
    if not untrue and not is_overtaken(message, dive.phase):
        return None
    if dive.phase is Phase.CLOSED:
        return _STAND_DOWN
    return _RESCUE_CALLED if untrue and dive.called_at is not None else _WHOLE_ALARM


def _is_stand_down(message: Message) -> bool:
    return MessageKind(message.priority) is MessageKind.STAND_DOWN


def _is_whole_alarm(message: Message) -> bool:
    return MessageKind(message.priority) in ALARMS and message.step.startswith(_WHOLE)


def _is_called(message: Message) -> bool:
    return message.step.startswith(f"{CALLED}-")


_STAND_DOWN: Final = _Holds(_is_stand_down, "stand_down_again")
_WHOLE_ALARM: Final = _Holds(_is_whole_alarm, "alarm_again")
_RESCUE_CALLED: Final = _Holds(_is_called, "called_again")


def _comes_after(one: Message, message: Message) -> bool:
    """Whether it is for the same person by the same way, and was caused later; by the log where both have a cause."""
    if (one.person_key, one.channel) != (message.person_key, message.channel):
        return False
    if one.cause_seq is not None and message.cause_seq is not None:
        return one.cause_seq > message.cause_seq
    return one.queued_at >= message.queued_at


def _will_go(message: Message) -> bool:
    return message.state == QUEUED or (message.state == LEASED and not message.in_flight)


def _last_with_a_gateway(messages: Sequence[Message]) -> Message | None:
    """The last that a gateway has, or may just be taking: which of the two it took first, nobody can say."""
    return next((one for one in reversed(messages) if one.handed_at is not None or one.in_flight), None)


def _log(service: Service, session: Session, kind: str, message: Message, again: str, now: datetime) -> None:
    log.append(
        session,
        chain=log.chain_of(message.dive_id, message.club_id),
        at=now,
        kind=kind,
        actor={"role": "clock", "name": "the service", "process": service.process},
        detail={"message": again, "after": message.id, "person": message.person_key},
        dive_id=message.dive_id,
        club_id=message.club_id,
    )
