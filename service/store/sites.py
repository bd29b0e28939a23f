"""Sites of a club, their points, and the grace periods that hold there."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.grace import GracePeriods
from service.store.codec import load_grace
from service.store.ids import new_id
from service.store.tables import ClubRow, SitePointRow, SiteRow


@dataclass(frozen=True, slots=True)
class NewPoint:
    """A point to add to a site. `kind` is entry, exit, vehicle_access, parking, meeting or hazard."""

    kind: str
    name: str
    lat: float | None = None
    lon: float | None = None
    notes: str | None = None


def add(
    session: Session,
    *,
    club_id: str,
    code: str,
    name: str,
    zone: str,
    lat: float,
    lon: float,
    rescue_call: str,
    aliases: tuple[str, ...] = (),
    access: str | None = None,
    notes: str | None = None,
    grace: dict[str, Any] | None = None,
    points: tuple[NewPoint, ...] = (),
) -> SiteRow:
    """A new site. `grace` holds only what differs from the club's.

    Raises IntegrityError when the club has a site of that code.
    """
    site = SiteRow(
        id=new_id(),
        club_id=club_id,
        code=code.upper(),
        name=name,
        aliases=list(aliases),
        zone=zone,
        lat=lat,
        lon=lon,
        rescue_call=rescue_call,
        access=access,
        notes=notes,
        grace=grace,
    )
    session.add(site)
    session.flush()
    for point in points:
        session.add(
            SitePointRow(
                site_id=site.id,
                kind=point.kind,
                name=point.name,
                lat=point.lat,
                lon=point.lon,
                notes=point.notes,
            )
        )
    session.flush()
    return site


def get(session: Session, club_id: str, site_id: str) -> SiteRow | None:
    """The site of that id, if it is the club's."""
    site = session.get(SiteRow, site_id)
    return site if site is not None and site.club_id == club_id else None


def listing(session: Session, club_id: str) -> list[SiteRow]:
    """The sites in use of a club, by name."""
    found = select(SiteRow).where(SiteRow.club_id == club_id, SiteRow.retired_at.is_(None))
    return list(session.execute(found.order_by(SiteRow.name, SiteRow.code)).scalars())


def points(session: Session, site_id: str) -> list[SitePointRow]:
    """The points of a site in the order in which they were given: the best exit is named first."""
    found = select(SitePointRow).where(SitePointRow.site_id == site_id).order_by(SitePointRow.id)
    return list(session.execute(found).scalars())


def find(session: Session, club_id: str, words: str) -> SiteRow | None:
    """The one site in use that these words name: by code, else by name, else by alias; case does not matter.

    None also when the words name several: a rescue must not go to a guess.
    """
    wanted = _folded(words)
    known = listing(session, club_id)
    for matches in (
        [site for site in known if _folded(site.code) == wanted],
        [site for site in known if _folded(site.name) == wanted],
        [site for site in known if wanted in map(_folded, site.aliases)],
    ):
        if matches:
            return matches[0] if len(matches) == 1 else None
    return None


def _folded(words: str) -> str:
    return " ".join(words.split()).casefold()


def grace_for(session: Session, club_id: str, site_id: str | None) -> GracePeriods:
    """The grace periods that hold: each one the site's, else the club's, else the default.

    Raises UnreadableError for stored periods that are none.
    """
    club = session.get(ClubRow, club_id)
    site = None if site_id is None else get(session, club_id, site_id)
    club_grace = (club.grace if club else None) or {}
    return load_grace(club_grace | ((site.grace if site else None) or {}))
