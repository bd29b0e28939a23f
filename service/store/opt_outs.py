"""Phones that told a carrier or us to send nothing."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime

from sqlalchemy import bindparam, insert, select, update
from sqlalchemy.orm import Session

from service.store.tables import OptOutRow
from service.store.upsert import table, touched


def is_opted_out(session: Session, receiving_number: str, phone: str) -> bool:
    """Whether nothing from that number may go to that phone."""
    return bool(opted_out(session, [(receiving_number, phone)]))


_ROW = table(OptOutRow).c
_DEAF = select(_ROW.receiving_number, _ROW.phone).where(
    _ROW.until_at.is_(None),
    _ROW.receiving_number.in_(bindparam("numbers", expanding=True)),
    _ROW.phone.in_(bindparam("phones", expanding=True)),
)


def opted_out(session: Session, ways: Collection[tuple[str, str]]) -> set[tuple[str, str]]:
    """Those of these pairs of a receiving number and a phone between which nothing may go."""
    if not ways:
        return set()
    values = {"numbers": list({number for number, _ in ways}), "phones": list({phone for _, phone in ways})}
    return {(number, phone) for number, phone in session.execute(_DEAF, values)}


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
