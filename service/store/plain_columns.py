"""The plain columns of a dive: what is left of it when its state cannot be read."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import or_, select, update
from sqlalchemy.orm import Session

from service.store.tables import DiveCodeRow, DivePhoneRow, DiveRow
from service.store.upsert import touched


@dataclass(frozen=True, slots=True)
class PhoneFact:
    """A phone of a dive as the plain columns know it."""

    key: str
    role: str
    name: str
    phone: str


@dataclass(frozen=True, slots=True)
class RowFacts:
    """What the plain columns say of a dive: enough for the plainest alarm when its state cannot be read."""

    dive_id: str
    club_id: str
    club_name: str
    receiving_number: str
    reference: str
    phase: str
    site_name: str
    zone: str
    rescue_call: str
    lead_name: str
    head_count: int
    drill: bool
    version: int
    due_out_at: datetime | None
    raise_by_at: datetime | None
    closed_at: datetime | None
    phones: tuple[PhoneFact, ...]


@dataclass(frozen=True, slots=True)
class Belongs:
    """A dive that a phone belongs to."""

    dive_id: str
    reference: str
    phase: str
    drill: bool


def row_facts(session: Session, dive_id: str) -> RowFacts | None:
    """What the plain columns say, without reading the state."""
    row = session.get(DiveRow, dive_id, populate_existing=True)
    if row is None:
        return None
    phones = session.execute(
        select(DivePhoneRow.key, DivePhoneRow.role, DivePhoneRow.name, DivePhoneRow.phone)
        .where(DivePhoneRow.dive_id == dive_id)
        .order_by(DivePhoneRow.key)
    )
    return RowFacts(
        dive_id=row.id,
        club_id=row.club_id,
        club_name=row.club_name,
        receiving_number=row.receiving_number,
        reference=row.reference,
        phase=row.phase,
        site_name=row.site_name,
        zone=row.zone,
        rescue_call=row.rescue_call,
        lead_name=row.lead_name,
        head_count=row.head_count,
        drill=row.drill,
        version=row.version,
        due_out_at=row.due_out_at,
        raise_by_at=row.raise_by_at,
        closed_at=row.closed_at,
        phones=tuple(PhoneFact(key, role, name, phone) for key, role, name, phone in phones),
    )


def of_phone(session: Session, receiving_number: str, phone: str, closed_since: datetime) -> list[Belongs]:
    """The dives of a phone that are open or closed at or after that instant, latest filed first; no state is read."""
    row, by = DiveRow, DivePhoneRow
    found = (
        select(row.id, row.reference, row.phase, row.drill)
        .join(by, by.dive_id == row.id)
        .where(
            by.receiving_number == receiving_number,
            by.phone == phone,
            or_(by.closed_at.is_(None), by.closed_at >= closed_since),
        )
        .order_by(row.filed_at.desc(), row.id)
    )
    return list(dict.fromkeys(Belongs(one.id, one.reference, one.phase, one.drill) for one in session.execute(found)))


def close_row(
    session: Session, dive_id: str, *, at: datetime, outcome: str, version: int, state: str | None = None
) -> None:
    """Close a dive whose state cannot be read: nothing of it is due any more, its codes die, its phones are let go.

    `state` replaces the one that cannot be read, where there is a better one.
    """
    values = {"phase": "closed", "outcome": outcome, "closed_at": at, "version": version, "next_due_at": None}
    if state is not None:
        values["state"] = state
    touched(session, update(DiveRow).where(DiveRow.id == dive_id).values(**values))
    touched(session, update(DivePhoneRow).where(DivePhoneRow.dive_id == dive_id).values(closed_at=at))
    touched(session, update(DiveCodeRow).where(DiveCodeRow.dive_id == dive_id).values(live=False))
