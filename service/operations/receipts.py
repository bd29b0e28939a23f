"""Delivery receipts: kept as they came, applied so that the furthest state wins.

Delivered is not read: only a person's answer stops the search for the next contact.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive.commands import NoteReachable, NoteUnreachable
from service.domain.dive.erased import ERASED
from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.another_way import after_failed
from service.operations.gateway import Blame, DeliveryReceipt, ReceiptState
from service.operations.proof_of_reach import note_opted_out
from service.operations.recording import held, learn
from service.operations.retrying import why_unreachable
from service.operations.service import Service
from service.operations.suspecting import note_receipt
from service.store import gateways, log, outbox, reaches, receipts
from service.store.outbox import Message
from service.store.receipts import Overtaking, Receipt

_LOG = logging.getLogger(__name__)

CLOCKS_APART: Final = timedelta(minutes=5)  # of two of our machines, at most


def receive_receipt(service: Service, receipt: DeliveryReceipt) -> None:
    """Store it and apply it. One that is before our own commit waits until the message is handed."""
    now = service.clock.now()
    service.write(lambda session: _receive(service, session, receipt, now))
    service.nudge()


def _receive(service: Service, session: Session, receipt: DeliveryReceipt, now: datetime) -> None:
    message = outbox.by_provider(session, receipt.gateway, receipt.provider_id)
    if message is not None:
        held(session, message.dive_id)
    receipts.store(
        session,
        gateway=receipt.gateway,
        provider_id=receipt.provider_id,
        state=str(receipt.state),
        code=receipt.code,
        blame=None if receipt.blame is None else str(receipt.blame),
        raw={} if message is not None and _is_erased(message) else receipt.raw,  # it would bring the number back
        received_at=now,
        message_id=message.id if message else None,
    )
    if message is None:
        if not gateways.note_canary_receipt(
            session, receipt.gateway, receipt.provider_id, receipt.state, receipt.code, now
        ):
            _LOG.warning("receipt_for_unknown_message", extra={"gateway": receipt.gateway})
    else:
        state, code, blame = receipt.state, receipt.code, receipt.blame
        apply_state(service, session, message, receipt.gateway, receipt.provider_id, state, code, blame, now)
    note_receipt(service, session, receipt, now)


def _is_erased(message: Message) -> bool:
    return message.body == ERASED


def apply_waiting(
    service: Service, session: Session, message: Message, gateway: str, provider_id: str, now: datetime
) -> None:
    """Apply the receipts that overtook our own commit. The message's dive is locked already.

    One from before there was this message is of another, as a daily test's: a gateway that was set up anew may give ids
    that it had given. An alarm must not count as delivered by it.
    """
    since = message.queued_at - CLOCKS_APART
    for receipt in receipts.waiting_for(session, gateway, provider_id, since):
        receipts.belongs_to(session, receipt.id, message.id)
        _apply_stored(service, session, message, receipt, now)


def apply_kept(service: Service, session: Session, message_id: str, now: datetime) -> None:
    """Apply once more what came for a message while it was to go another way, which it did not; its dive is locked.

    A failure counts for nothing while a courier has the message. It counts now that it is left with that gateway.
    """
    message = outbox.get(session, message_id)
    if message is None or message.handed_gateway is None or message.provider_id is None:
        return
    gateway, provider_id = message.handed_gateway, message.provider_id
    for receipt in receipts.kept_for(session, message_id, gateway, provider_id):
        _apply_stored(service, session, message, receipt, now)


def _apply_stored(service: Service, session: Session, message: Message, receipt: Receipt, now: datetime) -> None:
    state = ReceiptState(receipt.state)
    # A word of a later version must not keep the handing over from being recorded.
    blame = Blame(receipt.blame) if receipt.blame in list(Blame) else None
    apply_state(service, session, message, receipt.gateway, receipt.provider_id, state, receipt.code, blame, now)


def apply_overtaking(service: Service, found: Overtaking, now: datetime, session: Session) -> None:
    """Apply the receipts that came in the moment between a courier's look for them and its commit."""
    seen = outbox.get(session, found.message_id)
    held(session, seen.dive_id if seen else None)
    message = outbox.get(session, found.message_id)
    if message is not None:
        apply_waiting(service, session, message, found.gateway, found.provider_id, now)


def apply_state(
    service: Service,
    session: Session,
    message: Message,
    gateway: str,
    provider_id: str,
    state: ReceiptState,
    code: str | None,
    blame: Blame | None,
    now: datetime,
) -> None:
    """Move a message on by what a receipt says of it, and let its dive know. The dive is locked already."""
    reason = None if code is None else f"refused {code}"
    changed = receipts.apply_state(
        session, message.id, str(state), gateway=gateway, provider_id=provider_id, reason=reason, at=now
    )
    if not changed:
        return
    chain = log.chain_of(message.dive_id, message.club_id)
    log.append(
        session,
        chain=chain,
        at=now,
        kind=f"receipt:{state}",
        actor={"role": "gateway", "name": gateway},
        detail={"message": message.id, "step": message.step, "person": message.person_key, "code": code},
        dive_id=message.dive_id,
        club_id=message.club_id,
    )
    if _is_erased(message):
        return  # nobody is left who could be told, or of whom anything could be learnt
    if message.dive_id is not None:
        _let_dive_know(service, session, message, message.dive_id, state, blame, now)
    if state is ReceiptState.FAILED:
        after_failed(session, message, code, blame, now)
    _note_reach(session, message, gateway, state, blame, now)


def _let_dive_know(
    service: Service,
    session: Session,
    message: Message,
    dive_id: str,
    state: ReceiptState,
    blame: Blame | None,
    now: datetime,
) -> None:
    if state is ReceiptState.DELIVERED:
        has_alarm = message.priority in (MessageKind.DISTRESS, MessageKind.ALERT)
        reachable = NoteReachable(message.person_key, has_alarm, Channel(message.channel), message.step)
        learn(service, session, dive_id, reachable, now)
    elif state is ReceiptState.FAILED:
        unanswered = message.channel == Channel.CALL and blame is None
        why = "no_answer" if unanswered else why_unreachable(blame)
        unreachable = NoteUnreachable(message.person_key, why, Channel(message.channel))
        learn(service, session, dive_id, unreachable, now)


def _note_reach(
    session: Session, message: Message, gateway: str, state: ReceiptState, blame: Blame | None, now: datetime
) -> None:
    """What the club learns of the phone, last: whoever locks a dive and this locks the dive first."""
    if state is ReceiptState.DELIVERED and message.channel == Channel.TEXT:
        reaches.note_delivered(session, message.club_id, message.phone, now)
    elif state is ReceiptState.DELIVERED and message.channel == Channel.CALL:
        reaches.note_word(session, message.club_id, message.phone, now)  # only a key that they pressed makes it so
    elif state is ReceiptState.FAILED and blame is Blame.OPTED_OUT and message.channel == Channel.TEXT:
        note_opted_out(session, message, gateway, now)
