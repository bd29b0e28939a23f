"""Which dives of a club are open, by the plain columns: also one that cannot be read is there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.domain.dive.state import Phase
from service.store.tables import DiveRow


@dataclass(frozen=True, slots=True)
class OpenDive:
    """A dive that is not closed. `raise_by_at` is None while it has not begun."""

    id: str
    reference: str
    site_name: str
    zone: str
    lead_name: str
    phase: str
    filed_at: datetime
    raise_by_at: datetime | None
    drill: bool


def open_dives(session: Session, club_id: str, site_id: str | None = None, *, limit: int) -> tuple[list[OpenDive], int]:
    """The open dives of a club, or of one of its sites, those due first, at most so many; and how many there are."""
    row = DiveRow
    wanted = [row.club_id == club_id, row.phase != Phase.CLOSED.value]
    if site_id is not None:
        wanted.append(row.site_id == site_id)
    columns = (row.id, row.reference, row.site_name, row.zone, row.lead_name, row.phase, row.filed_at, row.raise_by_at)
    # Both databases are told where those without a time go, since each has a custom of its own.
    found = session.execute(
        select(*columns, row.drill)
        .where(*wanted)
        .order_by(row.raise_by_at.is_(None), row.raise_by_at, row.filed_at, row.id)
        .limit(limit)
    )
    count = session.execute(select(func.count()).select_from(row).where(*wanted)).scalar_one()
    return [OpenDive(*values) for values in found], count
