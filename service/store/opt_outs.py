"""Phones that told a carrier or us to send nothing."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import insert, select, update
from sqlalchemy.orm import Session

from service.store.tables import OptOutRow
from service.store.upsert import touched


def is_opted_out(session: Session, receiving_number: str, phone: str) -> bool:
    """Whether nothing from that number may go to that phone."""
    row = OptOutRow
    found = select(row.id).where(row.receiving_number == receiving_number, row.phone == phone, row.until_at.is_(None))
    return session.execute(found.limit(1)).first() is not None


def opt_out(session: Session, receiving_number: str, phone: str, now: datetime) -> bool:
    """From now on nothing goes to that phone; False when that held already."""
    if is_opted_out(session, receiving_number, phone):
        return False
    session.execute(insert(OptOutRow).values(receiving_number=receiving_number, phone=phone, at=now))
    return True


def opt_in(session: Session, receiving_number: str, phone: str, now: datetime) -> bool:
    """From now on texts go to that phone again; False when it had not opted out."""
    row = OptOutRow
    over = update(row).where(row.receiving_number == receiving_number, row.phone == phone, row.until_at.is_(None))
    return touched(session, over.values(until_at=now)) > 0
