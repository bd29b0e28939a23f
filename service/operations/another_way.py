"""An alarm that a gateway took and that did not arrive goes once more, by another gateway where there is one.

The ladder does not wait for it: its person counts as unreached already. Twice is better than never, and each gateway
is tried once for want of a receipt, and one more time in all after a failure.

A call that nobody took is not made again by itself: the ladder has the next one. But nothing follows a stand-down, so
that a person who can only be called is rung a few times more until they have heard that it is over.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.domain.dive.state import Told
from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.gateway import Blame
from service.operations.recording import held, is_superseded
from service.operations.routing import URGENT
from service.store import log, outbox, told
from service.store.outbox import Message

_OF_NO_USE = (Blame.NUMBER, Blame.OPTED_OUT)
RING_AGAIN_AFTER = timedelta(minutes=3)
RING_AGAIN_MAX = 3


def after_no_receipt(session: Session, message: Message, now: datetime) -> None:
    """No receipt came in time. Its dive is locked already."""
    if _is_wanted(session, message) and outbox.take_back(session, message.id, now):
        _log(session, message, "no_receipt", now)


def after_failed(session: Session, message: Message, code: str | None, blame: Blame | None, now: datetime) -> None:
    """A receipt says that it failed, and has been applied. Its dive is locked already."""
    if blame in _OF_NO_USE:
        return
    if message.channel == Channel.CALL:
        most, at = RING_AGAIN_MAX, now + RING_AGAIN_AFTER
        wanted = _must_be_rung(session, message)
    else:
        most, at, wanted = 1, now, _is_wanted(session, message)
    accepted = sum(attempt.outcome == "accepted" for attempt in outbox.attempts_of(session, message.id))
    if wanted and accepted <= most and outbox.take_up(session, message.id, at):
        _log(session, message, f"failed {code or ''}".strip(), now)


def _must_be_rung(session: Session, message: Message) -> bool:
    """Whether this call was to say that it is over, and no text has said so to the same person."""
    kind = MessageKind(message.priority)
    if kind is not MessageKind.STAND_DOWN or is_superseded(held(session, message.dive_id), message):
        return False
    return not told.went_by(session, message, Channel.TEXT)


def _is_wanted(session: Session, message: Message) -> bool:
    """A text of an alarm or its end, of a dive that has not moved on; a call that was not taken has its own rules."""
    kind = MessageKind(message.priority)
    if message.channel != Channel.TEXT or kind not in URGENT:
        return False
    dive = held(session, message.dive_id)
    return not is_superseded(dive, message) and not has_answered(dive, message)


def has_answered(dive: Dive | None, message: Message) -> bool:
    """Whether its person has answered the alarm since it was queued: whatever became of it, they know.

    An answer from before is none to it: who has the alarm has not yet heard that it is distress.
    """
    if dive is None or MessageKind(message.priority) is MessageKind.STAND_DOWN:
        return False
    calls = (*dive.rescue_calls, *(one.call for one in dive.taken_back))
    answers = [*dive.acknowledged, *(Told(call.by.own_key, call.at) for call in calls)]
    answers += [Told(one.by.own_key, one.at) for one in dive.taken_back]
    return any(one.key == message.person_key and one.at >= message.queued_at for one in answers)


def _log(session: Session, message: Message, why: str, now: datetime) -> None:
    log.append(
        session,
        chain=log.chain_of(message.dive_id, message.club_id),
        at=now,
        kind="another_way",
        actor={"role": "clock", "name": "the service"},
        detail={"message": message.id, "step": message.step, "person": message.person_key, "why": why},
        dive_id=message.dive_id,
        club_id=message.club_id,
    )
