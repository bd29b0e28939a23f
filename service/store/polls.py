"""Up to when the list of texts of each gateway was read, and who reads it now."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, or_, select, update
from sqlalchemy.orm import Session

from service.store.tables import GatewayStateRow
from service.store.upsert import insert_or_keep, touched


@dataclass(frozen=True, slots=True)
class Claim:
    """The list of one gateway is ours to read. `read_to_at` is up to when it was read before; None for never."""

    read_to_at: datetime | None


def claim(session: Session, gateway: str, now: datetime, *, read_before: datetime, until_at: datetime) -> Claim | None:
    """Take the list of a gateway that was last read before that instant; None when it is not due, or another has it."""
    insert_or_keep(session, GatewayStateRow, {"name": gateway, "faults": 0})
    row = GatewayStateRow
    free = or_(row.poll_until_at.is_(None), row.poll_until_at <= now)
    due = or_(row.polled_to_at.is_(None), row.polled_to_at <= read_before)
    if not touched(session, update(row).where(row.name == gateway, free, due).values(poll_until_at=until_at)):
        return None
    return Claim(session.execute(select(row.polled_to_at).where(row.name == gateway)).scalar_one())


def done(session: Session, gateway: str, read_to_at: datetime) -> None:
    """The list was read up to that instant, and is free again."""
    row = GatewayStateRow
    values = {"polled_to_at": read_to_at, "poll_until_at": None, "poll_faults": 0}
    touched(session, update(row).where(row.name == gateway).values(**values))


def failed(session: Session, gateway: str) -> int:
    """The list could not be read; how many times in a row that makes. The claim runs out by itself."""
    row = GatewayStateRow
    faults = func.coalesce(row.poll_faults, 0) + 1
    touched(session, update(row).where(row.name == gateway).values(poll_faults=faults))
    return session.execute(select(row.poll_faults).where(row.name == gateway)).scalar_one() or 0
