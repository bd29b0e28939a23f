"""Delivery receipts: kept as they came, applied so that the furthest state wins.

They may come twice, late, out of order, and before our own commit of the handing over.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, and_, func, insert, not_, or_, select, update
from sqlalchemy.orm import Session

from service.domain.delivery import MessageState, ReceiptState, Whose, moved_by
from service.store.tables import AttemptRow, MessageRow, ReceiptRow
from service.store.upsert import touched


@dataclass(frozen=True, slots=True)
class Receipt:
    """One receipt; `message_id` is None until we know whose it is."""

    id: int
    gateway: str
    provider_id: str
    state: str
    code: str | None
    blame: str | None
    received_at: datetime
    message_id: str | None


_RECEIPT = tuple(getattr(ReceiptRow, field.name) for field in fields(Receipt))


def store(
    session: Session,
    *,
    gateway: str,
    provider_id: str,
    state: str,
    code: str | None,
    blame: str | None,
    raw: dict[str, Any],
    received_at: datetime,
    message_id: str | None = None,
) -> int:
    """Keep a receipt as it came, with what a failure is blamed on, and return its id."""
    new = insert(ReceiptRow).values(
        gateway=gateway,
        provider_id=provider_id,
        state=state,
        code=code,
        blame=blame,
        raw=raw,
        received_at=received_at,
        message_id=message_id,
    )
    return session.execute(new.returning(ReceiptRow.id)).scalar_one()


def waiting_for(session: Session, gateway: str, provider_id: str) -> list[Receipt]:
    """Receipts that came before we knew whose they are, in the order in which they came."""
    return _those(session, gateway, provider_id, ReceiptRow.message_id.is_(None))


def kept_for(session: Session, message_id: str, gateway: str, provider_id: str) -> list[Receipt]:
    """Receipts of one handing over of a message, in the order in which they came."""
    return _those(session, gateway, provider_id, ReceiptRow.message_id == message_id)


def _those(session: Session, gateway: str, provider_id: str, whose: ColumnElement[bool]) -> list[Receipt]:
    row = ReceiptRow
    found = select(*_RECEIPT).where(row.gateway == gateway, row.provider_id == provider_id, whose).order_by(row.id)
    return [Receipt(*values) for values in session.execute(found)]


@dataclass(frozen=True, slots=True)
class Overtaking:
    """Receipts whose message is known by now: its id, the gateway and the gateway's id of it."""

    message_id: str
    gateway: str
    provider_id: str


def overtaking(session: Session, since: datetime, limit: int) -> list[Overtaking]:
    """What came since then for a message whose handing over was being recorded just then, and belongs to none yet."""
    row, attempt = ReceiptRow, AttemptRow
    known = and_(attempt.gateway == row.gateway, attempt.provider_id == row.provider_id)
    found = (
        select(attempt.message_id, row.gateway, row.provider_id)
        .distinct()
        .join(attempt, known)
        .where(row.message_id.is_(None), row.received_at >= since)
        .limit(limit)
    )
    return [Overtaking(*values) for values in session.execute(found)]


def belongs_to(session: Session, receipt_id: int, message_id: str) -> None:
    """Note whose receipt it is."""
    touched(session, update(ReceiptRow).where(ReceiptRow.id == receipt_id).values(message_id=message_id))


def apply_state(
    session: Session,
    message_id: str,
    state: str,
    *,
    gateway: str,
    provider_id: str,
    reason: str | None,
    at: datetime,
) -> bool:
    """Move a message to what a receipt says, where `service.domain.delivery` lets it; whether it moved.

    One guarded UPDATE, so that of two receipts at once each is applied to what the other left.
    """
    row = MessageRow
    word = ReceiptState(state) if state in list(ReceiptState) else ReceiptState.UNKNOWN
    this, older = moved_by(word, Whose.THIS), moved_by(word, Whose.OLDER)
    if not this and not older:
        return False
    # Never null, unlike a comparison with what was never handed over.
    is_this = and_(
        func.coalesce(row.handed_gateway, "") == gateway,
        func.coalesce(row.provider_id, "") == provider_id,
    )
    may = or_(and_(is_this, row.state.in_(this)), and_(not_(is_this), row.state.in_(older)))
    moved = update(row).where(row.id == message_id, may)
    return touched(session, moved.values(**_values(word, reason, at))) == 1


def _values(word: ReceiptState, reason: str | None, at: datetime) -> dict[str, Any]:
    if word is ReceiptState.FAILED:
        return {"state": str(MessageState.FAILED), "failed_reason": reason, "ended_at": at}
    values = {"state": str(MessageState.DELIVERED), "delivered_at": at, "failed_reason": None, "ended_at": None}
    return values | {"lease_owner": None, "lease_until_at": None, "in_flight": False}
