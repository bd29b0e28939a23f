"""Many messages at once on their way to a gateway: attempts begun, taken back, and recorded as accepted.

Each does with one statement for all of them what `service.store.outbox` does for one, under the same fences.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from typing import Any, Final

from sqlalchemy import (
    BigInteger,
    Insert,
    Update,
    and_,
    bindparam,
    case,
    cast,
    delete,
    exists,
    func,
    insert,
    or_,
    select,
    type_coerce,
    update,
)
from sqlalchemy.orm import Session

from service.store.among import among
from service.store.outbox import HANDED, LEASED, QUEUED, UNKNOWN_AT_FIRST
from service.store.pairs import paired, pairs
from service.store.tables import AttemptRow, DiveRow, MessageRow, ReceiptRow
from service.store.types import UTCDateTime, Words
from service.store.upsert import UNSYNCED, is_sqlite, table, touched

_ROW = table(MessageRow).c
_TRIED = table(AttemptRow).c
_HELD = and_(_ROW.state == LEASED, _ROW.lease_owner == bindparam("owner"))
_FREED: Final[dict[str, Any]] = {"lease_owner": None, "lease_until_at": None, "in_flight": False}


def begin_attempts(session: Session, gateways: Mapping[str, str], owner: str, now: datetime) -> dict[str, int]:
    """Record an attempt at each of these messages, by its gateway, before any is called; gives their ids.

    The messages were just leased to `owner` in this transaction, and marked as in flight.
    """
    if not gateways:
        return {}
    new = session.execute(_begin(on_sqlite=is_sqlite(session)), {"owner": owner, "now": now} | paired(gateways))
    return {message_id: attempt_id for message_id, attempt_id in new}  # noqa: C416 - rows, not pairs


@cache
def _begin(*, on_sqlite: bool) -> Insert:
    given = pairs(on_sqlite=on_sqlite)
    begun = select(
        type_coerce(given.c.key, Words),
        type_coerce(given.c.value, Words),
        bindparam("owner", type_=Words()),
        bindparam("now", type_=UTCDateTime()),
    )
    columns = ["message_id", "gateway", "carried_by", "started_at"]
    return insert(table(AttemptRow)).from_select(columns, begun).returning(_TRIED.message_id, _TRIED.id)


_OPEN = exists().where(_TRIED.message_id == _ROW.id, among(_TRIED.id, "tried"), _TRIED.ended_at.is_(None))
_TAKE_BACK = (
    update(table(MessageRow))
    .where(among(_ROW.id, "ids"), _HELD, _OPEN.correlate(table(MessageRow)))
    .values(state=QUEUED, attempts=_ROW.attempts - 1, **_FREED)
    .returning(_ROW.id)
)
_UNDO = delete(table(AttemptRow)).where(among(_TRIED.id, "tried"))


def take_back(session: Session, attempts: Mapping[int, str], owner: str) -> int:
    """Undo attempts that were begun and never made, by the ids of their messages; how many were still ours.

    Nothing has left for the gateway, so nothing of it stays: they wait again as they did before. An attempt that ended
    meanwhile stays, and so does its message, which may be on its way by another one of the same owner.
    """
    values = {"ids": list(attempts.values()), "tried": list(attempts), "owner": owner}
    ours = set(session.execute(_TAKE_BACK, values, execution_options=UNSYNCED).scalars())
    gone = [attempt_id for attempt_id, message_id in attempts.items() if message_id in ours]
    if gone:
        touched(session, _UNDO, {"tried": gone})
    return len(gone)


@dataclass(frozen=True, slots=True)
class Begun:
    """An attempt that is open, by which gateway."""

    id: int
    gateway: str


def begun(session: Session, message_id: str, owner: str, now: datetime) -> Begun | None:
    """The attempt that `owner` has open at a message which is still leased to it."""
    found = session.execute(_BEGUN, {"of": message_id, "owner": owner, "now": now}).first()
    return None if found is None else Begun(*found)


_BEGUN = (
    select(_TRIED.id, _TRIED.gateway)
    .join(table(MessageRow), _ROW.id == _TRIED.message_id)
    .where(
        _ROW.id == bindparam("of"),
        _HELD,
        _ROW.lease_until_at > bindparam("now"),
        _TRIED.carried_by == bindparam("owner"),
        _TRIED.ended_at.is_(None),
    )
)
_DIVE = table(DiveRow).c
_HOLD_FREE = (
    select(_DIVE.id, _DIVE.phase)
    .where(among(_DIVE.id, "ids"))
    .order_by(_DIVE.id)
    .with_for_update(skip_locked=True, key_share=True)
)
_RECEIPT = table(ReceiptRow).c
_EARLY = select(_RECEIPT.provider_id).where(
    _RECEIPT.gateway == bindparam("by"),
    among(_RECEIPT.provider_id, "named"),
    _RECEIPT.message_id.is_(None),
)


def hold_free(session: Session, dive_ids: Collection[str]) -> dict[str, str]:
    """Lock those of these dives that nobody else has; which these are, with their phases. It waits for nobody."""
    return {row.id: row.phase for row in session.execute(_HOLD_FREE, {"ids": list(dive_ids)})}


def receipts_wait(session: Session, gateway: str, provider_ids: Collection[str]) -> set[str]:
    """Those of these ids for which a receipt has come already."""
    return set(session.execute(_EARLY, {"by": gateway, "named": list(provider_ids)}).scalars())


def finish_accepted(session: Session, provider_ids: Mapping[int, str], now: datetime) -> None:
    """Record that the gateway took each of these attempts, and what it calls the message."""
    given = paired({str(attempt_id): provider_id for attempt_id, provider_id in provider_ids.items()})
    touched(session, _accept(on_sqlite=is_sqlite(session)), {"now": now, "ids": list(provider_ids)} | given)


@cache
def _accept(*, on_sqlite: bool) -> Update:
    given = pairs(on_sqlite=on_sqlite)
    open_ = or_(_TRIED.ended_at.is_(None), _TRIED.outcome == "unknown")
    # Named apart too: by statistics of a calm day a database would rather read the whole table.
    ours = and_(among(_TRIED.id, "ids"), _TRIED.id == cast(given.c.key, BigInteger))
    ended = update(table(AttemptRow)).where(ours, open_)
    return ended.values(
        ended_at=func.coalesce(_TRIED.ended_at, bindparam("now", type_=UTCDateTime())),
        outcome="accepted",
        code=None,
        detail=case((_TRIED.outcome == "unknown", UNKNOWN_AT_FIRST)),
        provider_id=given.c.value,
    )


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
    values = {"owner": owner, "by": gateway, "now": now, "checked": receipt_checked} | paired(provider_ids)
    handed = session.execute(_hand(on_sqlite=is_sqlite(session)), values, execution_options=UNSYNCED)
    return set(handed.scalars())


@cache
def _hand(*, on_sqlite: bool) -> Update:
    given = pairs(on_sqlite=on_sqlite)
    handed = update(table(MessageRow)).where(_ROW.id == given.c.key, _HELD)
    values = {
        "state": HANDED,
        "handed_at": bindparam("now"),
        "handed_gateway": bindparam("by"),
        "provider_id": given.c.value,
        "receipt_checked": bindparam("checked"),
    }
    return handed.values(**values, **_FREED).returning(_ROW.id)


_ASKED = select(_TRIED.message_id, _TRIED.gateway).where(among(_TRIED.message_id, "ids")).order_by(_TRIED.id)


def tried(session: Session, message_ids: Collection[str]) -> dict[str, list[str]]:
    """The gateways that were asked to carry each of these messages, in the order in which they were."""
    known: dict[str, list[str]] = {message_id: [] for message_id in message_ids}
    for message_id, gateway in session.execute(_ASKED, {"ids": list(known)}) if known else ():
        known[message_id].append(gateway)
    return known
