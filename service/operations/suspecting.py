"""Gateways that take messages and deliver none that we hear of: suspect, so that an alarm goes by another one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain.grace import GracePeriods
from service.operations.breaking import NO_DELIVERY, REASON_MAX, apart, change
from service.operations.gateway import Blame, DeliveryReceipt, ReceiptState
from service.operations.service import Service
from service.operations.unknown_codes import note_unrecognised
from service.store import gateways
from service.store.gateways import GatewayState, Taken

SILENT_PHONES = 3
"""So many phones in a row: one that is switched off says nothing about the gateway."""
LOOKS_BACK = timedelta(days=1)
LOOKS_AT = 50  # texts: no more are needed to find three phones, and fewer would be one dive's own


def is_silent(taken: Sequence[Taken], now: datetime, within: timedelta) -> bool:
    """Whether nothing was delivered of what it took last, to at least three phones; the last taken come first.

    What is younger than `within` has time yet, and a failure that it reported is a word of it too; neither counts.
    """
    phones: set[str] = set()
    for one in taken:
        if one.receipt == ReceiptState.DELIVERED:
            return False
        if one.receipt is None and now - one.at >= within:
            phones.add(one.phone)
        if len(phones) >= SILENT_PHONES:
            return True
    return False


def look_for_silence(service: Service, name: str) -> None:
    """Suspect a gateway that sends receipts and has sent none for three phones in a row."""
    now = service.clock.now()

    def work(session: Session) -> None:
        if gateways.states(session, [name])[name].suspect_at is not None:
            return
        taken = gateways.taken(session, name, now - LOOKS_BACK, LOOKS_AT)
        if is_silent(taken, now, GracePeriods().receipt_within):
            change(service, session, name, lambda state: _suspected(state, NO_DELIVERY, now), now)

    service.write(work)


def note_receipt(service: Service, session: Session, receipt: DeliveryReceipt, now: datetime) -> None:
    """What a receipt says of its gateway: that it delivers, that it cannot, or what is in no table.

    To be called last in the transaction that applies it.
    """
    name, code = receipt.gateway, receipt.unrecognised
    if code is not None:
        apart(session, name, lambda: note_unrecognised(service, session, name, code, "receipt", now))
    if receipt.state is ReceiptState.DELIVERED:
        change(service, session, name, lambda state: _cleared(state, now), now)
    elif receipt.state is ReceiptState.FAILED and receipt.blame is Blame.GATEWAY:
        reason = f"{receipt.code}: a receipt says that it cannot send"[:REASON_MAX]
        change(service, session, name, lambda state: _suspected(state, reason, now), now)


def _suspected(state: GatewayState, reason: str, now: datetime) -> GatewayState:
    return state if state.suspect_at else replace(state, reason=reason, since_at=now, suspect_at=now)


def _cleared(state: GatewayState, now: datetime) -> GatewayState:
    if state.suspect_at is None:
        return state
    return replace(state, reason=state.reason if state.rests_until_at else None, since_at=now, suspect_at=None)
