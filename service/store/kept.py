"""Dives that a club keeps whole on somebody's word, for an inquiry for instance: retention passes them over."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.store.tables import DiveRow
from service.store.upsert import touched


@dataclass(frozen=True, slots=True)
class Standing:
    """How a dive stands with retention. `kept_by` is a name, as given when it was kept."""

    dive_id: str
    reference: str
    site_name: str
    filed_at: datetime
    closed_at: datetime | None
    erased_at: datetime | None
    kept_at: datetime | None
    kept_by: str | None
    kept_reason: str | None


_ROW = DiveRow
_STANDING = (
    *(_ROW.id, _ROW.reference, _ROW.site_name, _ROW.filed_at, _ROW.closed_at),
    *(_ROW.erased_at, _ROW.kept_at, _ROW.kept_by, _ROW.kept_reason),
)


def standing(session: Session, club_id: str, dive_id: str) -> Standing | None:
    """How a dive of this club stands; None for no such dive."""
    found = session.execute(select(*_STANDING).where(_ROW.id == dive_id, _ROW.club_id == club_id)).first()
    return None if found is None else Standing(*found)


def listing(session: Session, club_id: str, limit: int) -> list[Standing]:
    """The dives that the club keeps, the last kept first."""
    kept = select(*_STANDING).where(_ROW.club_id == club_id, _ROW.kept_at.is_not(None))
    return [Standing(*row) for row in session.execute(kept.order_by(_ROW.kept_at.desc(), _ROW.id).limit(limit))]


def keep(session: Session, club_id: str, dive_id: str, by: str, reason: str, now: datetime) -> bool:
    """Keep a dive; False where it is kept already, is erased, or is none of this club's."""
    free = update(_ROW).where(
        _ROW.id == dive_id, _ROW.club_id == club_id, _ROW.kept_at.is_(None), _ROW.erased_at.is_(None)
    )
    return touched(session, free.values(kept_at=now, kept_by=by, kept_reason=reason)) == 1


def let_go(session: Session, club_id: str, dive_id: str) -> bool:
    """Keep it no longer; False where it was not kept."""
    held = update(_ROW).where(_ROW.id == dive_id, _ROW.club_id == club_id, _ROW.kept_at.is_not(None))
    return touched(session, held.values(kept_at=None, kept_by=None, kept_reason=None)) == 1
