"""The dives of a club as a list that is read in pieces."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, and_, or_, select
from sqlalchemy.orm import Session

from service.domain.dive.state import Dive, Phase
from service.store import dives
from service.store.dives import Unreadable
from service.store.tables import DiveRow


@dataclass(frozen=True, slots=True)
class Place:
    """Where a dive stands in the list of its club, which is for ever: latest filed first."""

    filed_at: datetime
    dive_id: str


@dataclass(frozen=True, slots=True)
class Listed:
    """A dive in the list of its club, and its place there; one that cannot be read by its plain columns."""

    dive: Dive | Unreadable
    place: Place


def listing(
    session: Session,
    club_id: str,
    phase: Phase | None,
    limit: int,
    *,
    after: Place | None = None,
    without: Collection[str] = (),
) -> list[Listed]:
    """The dives of a club, latest filed first, behind that place; of one phase if asked, and without those."""
    statement = _LISTED.where(DiveRow.club_id == club_id, DiveRow.id.not_in(without))
    if phase is not None:
        statement = statement.where(DiveRow.phase == phase.value)
    if after is not None:
        beside = and_(DiveRow.filed_at == after.filed_at, DiveRow.id > after.dive_id)
        statement = statement.where(or_(DiveRow.filed_at < after.filed_at, beside))
    return _listed(session, statement.limit(limit))


def live(session: Session, club_id: str, limit: int) -> list[Listed]:
    """The dives of a club whose clock runs or that are in alarm, latest filed first."""
    runs = (DiveRow.closed_at.is_(None), DiveRow.phase != Phase.FILED.value)
    return _listed(session, _LISTED.where(DiveRow.club_id == club_id, *runs).limit(limit))


_LISTED = select(*dives.READ, DiveRow.filed_at).order_by(DiveRow.filed_at.desc(), DiveRow.id)


def _listed(session: Session, statement: Select[*dives.Read, datetime]) -> list[Listed]:
    return [Listed(dives.read_row(row), Place(row.filed_at, row.id)) for row in session.execute(statement)]
