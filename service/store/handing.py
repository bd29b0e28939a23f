"""Many messages at once on their way to a gateway: attempts begun, taken back, and recorded as accepted.

Each does with one statement for all of them what `service.store.outbox` does for one, under the same fences.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import BigInteger, ColumnElement, and_, cast, delete, insert, literal, or_, select, type_coerce, update
from sqlalchemy.orm import Session

from service.store.outbox import HANDED, LEASED, QUEUED
from service.store.pairs import pairs
from service.store.tables import AttemptRow, DiveRow, MessageRow, ReceiptRow
from service.store.types import UTCDateTime, Words
from service.store.upsert import UNSYNCED, touched


def begin_attempts(session: Session, gateways: Mapping[str, str], owner: str, now: datetime) -> dict[str, int]:
    """Record an attempt at each of these messages, by its gateway, before any is called; gives their ids.

    The messages were just leased to `owner` in this transaction, and marked as in flight.
    """
    if not gateways:
        return {}
    row, given = AttemptRow, pairs(session, gateways)
    begun = select(
        type_coerce(given.c.key, Words),
        type_coerce(given.c.value, Words),
        literal(owner, Words),
        literal(now, UTCDateTime),
    )
    columns = ["message_id", "gateway", "carried_by", "started_at"]
    new = insert(row).from_select(columns, begun).returning(row.message_id, row.id)
    return {message_id: attempt_id for message_id, attempt_id in session.execute(new)}  # noqa: C416 - rows, not pairs


def take_back(session: Session, attempts: Mapping[int, str], owner: str) -> int:
    """Undo attempts that were begun and never made, by the ids of their messages; how many were still ours.

    Nothing has left for the gateway, so nothing of it stays: they wait again as they did before.
    """
    row = MessageRow
    values = {
        "state": QUEUED,
        "lease_owner": None,
        "lease_until_at": None,
        "in_flight": False,
        "attempts": row.attempts - 1,
    }
    free = update(row).where(row.id.in_(attempts.values()), _held(owner)).values(**values).returning(row.id)
    ours = set(session.execute(free, execution_options=UNSYNCED).scalars())
    gone = [attempt_id for attempt_id, message_id in attempts.items() if message_id in ours]
    if gone:
        touched(session, delete(AttemptRow).where(AttemptRow.id.in_(gone)))
    return len(gone)


@dataclass(frozen=True, slots=True)
class Begun:
    """An attempt that is open, by which gateway."""

    id: int
    gateway: str


def begun(session: Session, message_id: str, owner: str, now: datetime) -> Begun | None:
    """The attempt that `owner` has open at a message which is still leased to it."""
    row, message = AttemptRow, MessageRow
    ours = and_(_held(owner), message.lease_until_at > now, row.carried_by == owner, row.ended_at.is_(None))
    open_ = (
        select(row.id, row.gateway).join(message, message.id == row.message_id).where(message.id == message_id, ours)
    )
    found = session.execute(open_).first()
    return None if found is None else Begun(*found)


def hold_free(session: Session, dive_ids: Collection[str]) -> set[str]:
    """Lock those of these dives that nobody else has; which these are. It waits for nobody."""
    free = select(DiveRow.id).where(DiveRow.id.in_(dive_ids)).order_by(DiveRow.id)
    return set(session.execute(free.with_for_update(skip_locked=True, key_share=True)).scalars())


def receipts_wait(session: Session, gateway: str, provider_ids: Collection[str]) -> set[str]:
    """Those of these ids for which a receipt has come already."""
    row = ReceiptRow
    early = select(row.provider_id).where(
        row.gateway == gateway, row.provider_id.in_(provider_ids), row.message_id.is_(None)
    )
    return set(session.execute(early).scalars())


def finish_accepted(session: Session, provider_ids: Mapping[int, str], now: datetime) -> None:
    """Record that the gateway took each of these attempts, and what it calls the message."""
    row = AttemptRow
    given = pairs(session, {str(attempt_id): provider_id for attempt_id, provider_id in provider_ids.items()})
    open_ = or_(row.ended_at.is_(None), row.outcome == "unknown")
    ended = update(row).where(row.id == cast(given.c.key, BigInteger), open_)
    values = {"ended_at": now, "outcome": "accepted", "code": None, "detail": None, "provider_id": given.c.value}
    touched(session, ended.values(**values))


def mark_handed(
    session: Session,
    provider_ids: Mapping[str, str],
    owner: str,
    gateway: str,
    now: datetime,
    *,
    receipt_checked: bool,
) -> set[str]:
    """The gateway took these messages, each under its id; which of them were still ours.

    `receipt_checked`: no receipt is to be expected from it.
    """
    row, given = MessageRow, pairs(session, provider_ids)
    handed = update(row).where(row.id == given.c.key, _held(owner))
    values = {
        "state": HANDED,
        "handed_at": now,
        "handed_gateway": gateway,
        "provider_id": given.c.value,
        "lease_owner": None,
        "lease_until_at": None,
        "in_flight": False,
        "receipt_checked": receipt_checked,
    }
    return set(session.execute(handed.values(**values).returning(row.id), execution_options=UNSYNCED).scalars())


def tried(session: Session, message_ids: Collection[str]) -> dict[str, list[str]]:
    """The gateways that were asked to carry each of these messages, in the order in which they were."""
    row = AttemptRow
    known: dict[str, list[str]] = {message_id: [] for message_id in message_ids}
    asked = select(row.message_id, row.gateway).where(row.message_id.in_(message_ids)).order_by(row.id)
    for message_id, gateway in session.execute(asked) if known else ():
        known[message_id].append(gateway)
    return known


def _held(owner: str) -> ColumnElement[bool]:
    return (MessageRow.state == LEASED) & (MessageRow.lease_owner == owner)
