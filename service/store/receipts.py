"""Delivery receipts: kept as they came, applied so that the furthest state wins.

They may come twice, late, out of order, and before our own commit of the handing over.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
from functools import cache
from typing import Any

from sqlalchemy import ColumnElement, Select, Update, and_, bindparam, func, insert, not_, or_, select, update
from sqlalchemy.orm import Session

from service.domain.delivery import MessageState, ReceiptState, Whose, moved_by
from service.store.among import one_of
from service.store.tables import AttemptRow, MessageRow, ReceiptRow
from service.store.types import UTCDateTime
from service.store.upsert import table, touched


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


_ROW = table(ReceiptRow).c
_STORE = insert(table(ReceiptRow)).returning(_ROW.id)
_THOSE = (
    select(*(_ROW[field.name] for field in fields(Receipt)))
    .where(_ROW.gateway == bindparam("by"), _ROW.provider_id == bindparam("named"))
    .order_by(_ROW.id)
)
_WAITING = _THOSE.where(_ROW.message_id.is_(None), _ROW.received_at >= bindparam("since", type_=UTCDateTime()))
_KEPT = _THOSE.where(_ROW.message_id == bindparam("of"))
_BELONGS = update(table(ReceiptRow)).where(_ROW.id == bindparam("which")).values(message_id=bindparam("of"))


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
    row = {
        "gateway": gateway,
        "provider_id": provider_id,
        "state": state,
        "code": code,
        "blame": blame,
        "raw": raw,
        "received_at": received_at,
        "message_id": message_id,
    }
    receipt_id: int = session.execute(_STORE, row).scalar_one()
    return receipt_id


def waiting_for(session: Session, gateway: str, provider_id: str, since: datetime) -> list[Receipt]:
    """Receipts since that instant that came before we knew whose they are, in the order in which they came."""
    return _those(session, _WAITING, {"by": gateway, "named": provider_id, "since": since})


def kept_for(session: Session, message_id: str, gateway: str, provider_id: str) -> list[Receipt]:
    """Receipts of one handing over of a message, in the order in which they came."""
    return _those(session, _KEPT, {"by": gateway, "named": provider_id, "of": message_id})


def _those(session: Session, wanted: Select[Any], given: dict[str, Any]) -> list[Receipt]:
    return [Receipt(*values) for values in session.execute(wanted, given)]


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
    touched(session, _BELONGS, {"which": receipt_id, "of": message_id})


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
    word = ReceiptState(state) if state in list(ReceiptState) else ReceiptState.UNKNOWN
    move = _move(word)
    if move is None:
        return False
    values = {"of": message_id, "by": gateway, "named": provider_id, "why": reason, "now": at}
    return touched(session, move, values) == 1


@cache
def _move(word: ReceiptState) -> Update | None:
    """None for a word that moves nothing."""
    may = _may_move(word)
    if may is None:
        return None
    message = table(MessageRow)
    return update(message).where(message.c.id == bindparam("of"), may).values(**_moved(word))


def _may_move(word: ReceiptState) -> ColumnElement[bool] | None:
    row = table(MessageRow).c
    this, older = moved_by(word, Whose.THIS), moved_by(word, Whose.OLDER)
    if not this and not older:
        return None
    # Never null, unlike a comparison with what was never handed over.
    is_this = and_(
        func.coalesce(row.handed_gateway, "") == bindparam("by"),
        func.coalesce(row.provider_id, "") == bindparam("named"),
    )
    return or_(and_(is_this, one_of(row.state, *this)), and_(not_(is_this), one_of(row.state, *older)))


def _moved(word: ReceiptState) -> dict[str, Any]:
    now = bindparam("now", type_=UTCDateTime())
    if word is ReceiptState.FAILED:
        return {"state": str(MessageState.FAILED), "failed_reason": bindparam("why"), "ended_at": now}
    values = {"state": str(MessageState.DELIVERED), "delivered_at": now, "failed_reason": None, "ended_at": None}
    return values | {"lease_owner": None, "lease_until_at": None, "in_flight": False}
