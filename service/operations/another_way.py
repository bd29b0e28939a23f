"""An alarm that a gateway took and that did not arrive goes once more, by another gateway where there is one.

The ladder does not wait for it: its person counts as unreached already. Twice is better than never, and each gateway
is tried once for want of a receipt, and one more time in all after a failure.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.gateway import Blame
from service.operations.recording import held, is_superseded
from service.operations.routing import URGENT
from service.store import log, outbox
from service.store.outbox import Message

_OF_NO_USE = (Blame.NUMBER, Blame.OPTED_OUT)


def after_no_receipt(session: Session, message: Message, now: datetime) -> None:
    """No receipt came in time. Its dive is locked already."""
    if _is_wanted(session, message) and outbox.take_back(session, message.id, now):
        _log(session, message, "no_receipt", now)


def after_failed(session: Session, message: Message, code: str | None, blame: Blame | None, now: datetime) -> None:
    """A receipt says that it failed, and has been applied. Its dive is locked already."""
    if blame in _OF_NO_USE or not _is_wanted(session, message):
        return
    accepted = sum(attempt.outcome == "accepted" for attempt in outbox.attempts_of(session, message.id))
    if accepted == 1 and outbox.take_up(session, message.id, now):
        _log(session, message, f"failed {code or ''}".strip(), now)


def _is_wanted(session: Session, message: Message) -> bool:
    """A text of an alarm or its end, of a dive that has not moved on; a call that was not taken has its own rules."""
    kind = MessageKind(message.priority)
    return (
        message.channel == Channel.TEXT and kind in URGENT and not is_superseded(held(session, message.dive_id), kind)
    )


def _log(session: Session, message: Message, why: str, now: datetime) -> None:
    log.append(
        session,
        chain=log.dive_chain(message.dive_id) if message.dive_id else log.club_chain(message.club_id),
        at=now,
        kind="another_way",
        actor={"role": "clock", "name": "the service"},
        detail={"message": message.id, "step": message.step, "person": message.person_key, "why": why},
        dive_id=message.dive_id,
        club_id=message.club_id,
    )
