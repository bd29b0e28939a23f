"""Phones that told a carrier or us to send nothing.

Of somebody who was erased only a hash is kept, so that their word still holds: of ten digits it is no secret to whoever
has the database and tries them all, but it names nobody.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection
from datetime import datetime

from sqlalchemy import delete, insert, select, update
from sqlalchemy.orm import Session

from service.store.among import among
from service.store.tables import OptOutRow
from service.store.upsert import table, touched


def is_opted_out(session: Session, receiving_number: str, phone: str) -> bool:
    """Whether nothing from that number may go to that phone."""
    return bool(opted_out(session, [(receiving_number, phone)]))


_ROW = table(OptOutRow).c
_DEAF = select(_ROW.receiving_number, _ROW.phone).where(
    _ROW.until_at.is_(None),
    among(_ROW.receiving_number, "numbers"),
    among(_ROW.phone, "phones"),
)


def opted_out(session: Session, ways: Collection[tuple[str, str]]) -> set[tuple[str, str]]:
    """Those of these pairs of a receiving number and a phone between which nothing may go."""
    if not ways:
        return set()
    known_as = {one: way for way in ways for one in (way, (way[0], hashed(*way)))}
    values = {"numbers": list({number for number, _ in known_as}), "phones": list({phone for _, phone in known_as})}
    found = ((number, phone) for number, phone in session.execute(_DEAF, values))
    return {known_as[one] for one in found if one in known_as}


def hashed(receiving_number: str, phone: str) -> str:
    """What is kept of the phone of somebody who was erased."""
    return f"sha256:{hashlib.sha256(f'{receiving_number}:{phone}'.encode()).hexdigest()}"


def keep_as_hash(session: Session, receiving_number: str, phone: str, now: datetime, *, refuses: bool) -> None:
    """Forget the phone itself; `refuses`: they want nothing from us, whatever a row says, and that holds."""
    row = OptOutRow
    of_phone = (row.receiving_number == receiving_number, row.phone == phone)
    refuses = refuses or is_opted_out(session, receiving_number, phone)
    touched(session, delete(row).where(*of_phone))
    if refuses and not is_opted_out(session, receiving_number, phone):
        kept = {"receiving_number": receiving_number, "phone": hashed(receiving_number, phone), "at": now}
        session.execute(insert(row).values(**kept))


def opt_out(session: Session, receiving_number: str, phone: str, now: datetime) -> bool:
    """From now on nothing goes to that phone; False when that held already."""
    if is_opted_out(session, receiving_number, phone):
        return False
    session.execute(insert(OptOutRow).values(receiving_number=receiving_number, phone=phone, at=now))
    return True


def opt_in(session: Session, receiving_number: str, phone: str, now: datetime) -> bool:
    """From now on texts go to that phone again; False when it had not opted out."""
    row = OptOutRow
    names = (phone, hashed(receiving_number, phone))
    over = update(row).where(row.receiving_number == receiving_number, row.phone.in_(names), row.until_at.is_(None))
    return touched(session, over.values(until_at=now)) > 0
