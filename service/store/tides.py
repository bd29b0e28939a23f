"""High and low waters at a site, as its club entered or imported them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import delete, func, select
from sqlalchemy.orm import Session

from service.domain.place.tide import TidalExtreme
from service.store.tables import TidalExtremeRow
from service.store.upsert import insert_rows, touched


def between(
    session: Session, site_id: str, around: tuple[datetime, datetime] | None = None
) -> tuple[TidalExtreme, ...]:
    """The high and low waters of a site within `around`, both ends included, in their order; without it all of them."""
    found = select(TidalExtremeRow).where(TidalExtremeRow.site_id == site_id)
    if around is not None:
        found = found.where(TidalExtremeRow.at.between(*around))
    rows = session.execute(found.order_by(TidalExtremeRow.at)).scalars()
    return tuple(TidalExtreme(row.at, row.height_m, row.high) for row in rows)


def last_at(session: Session, site_id: str) -> datetime | None:
    """Until when the tides of a site are known."""
    return session.execute(select(func.max(TidalExtremeRow.at)).where(TidalExtremeRow.site_id == site_id)).scalar_one()


def replace(session: Session, site_id: str, extremes: Sequence[TidalExtreme]) -> None:
    """Put a list in the place of whatever there was from its first to its last; the rest stays.

    The list is in the order of time and has no time twice.
    """
    if not extremes:
        return
    span = TidalExtremeRow.at.between(extremes[0].at, extremes[-1].at)
    touched(session, delete(TidalExtremeRow).where(TidalExtremeRow.site_id == site_id, span))
    add(session, site_id, extremes)


def add(session: Session, site_id: str, extremes: Sequence[TidalExtreme]) -> None:
    """Add high and low waters. Raises IntegrityError where there is one at that time."""
    insert_rows(session, TidalExtremeRow, *(_columns(site_id, one) for one in extremes))


def _columns(site_id: str, extreme: TidalExtreme) -> dict[str, object]:
    return {"site_id": site_id, "at": extreme.at, "height_m": extreme.height_m, "high": extreme.high}
