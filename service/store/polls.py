"""Up to when the list of texts of each gateway was read, and who reads it now."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import bindparam, func, or_, select, update
from sqlalchemy.orm import Session

from service.store.tables import GatewayStateRow
from service.store.upsert import insert_or_keep, table, touched


@dataclass(frozen=True, slots=True)
class Claim:
    """The list of one gateway is ours to read. `read_to_at` is up to when it was read before; None for never."""

    read_to_at: datetime | None


_ROW = table(GatewayStateRow).c
_ONE = update(table(GatewayStateRow)).where(_ROW.name == bindparam("of"))
_CLAIM = _ONE.where(
    or_(_ROW.poll_until_at.is_(None), _ROW.poll_until_at <= bindparam("now")),
    or_(_ROW.polled_to_at.is_(None), _ROW.polled_to_at <= bindparam("before")),
).values(poll_until_at=bindparam("until"))
_READ_TO = select(_ROW.polled_to_at).where(_ROW.name == bindparam("of"))
_DONE = _ONE.values(polled_to_at=bindparam("read_to"), poll_until_at=None, poll_faults=0)


def claim(session: Session, gateway: str, now: datetime, *, read_before: datetime, until_at: datetime) -> Claim | None:
    """Take the list of a gateway that was last read before that instant; None when it is not due, or another has it."""
    insert_or_keep(session, GatewayStateRow, {"name": gateway, "faults": 0})
    if not touched(session, _CLAIM, {"of": gateway, "now": now, "before": read_before, "until": until_at}):
        return None
    return Claim(session.execute(_READ_TO, {"of": gateway}).scalar_one())


def done(session: Session, gateway: str, read_to_at: datetime) -> None:
    """The list was read up to that instant, and is free again."""
    touched(session, _DONE, {"of": gateway, "read_to": read_to_at})


def failed(session: Session, gateway: str) -> int:
    """The list could not be read; how many times in a row that makes. The claim runs out by itself."""
    row = GatewayStateRow
    faults = func.coalesce(row.poll_faults, 0) + 1
    touched(session, update(row).where(row.name == gateway).values(poll_faults=faults))
    return session.execute(select(row.poll_faults).where(row.name == gateway)).scalar_one() or 0
