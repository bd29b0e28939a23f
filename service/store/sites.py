"""Sites of a club, their points, and the grace periods that hold there."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.domain.grace import GracePeriods
from service.domain.place.club_site import ClubSite
from service.domain.place.conditions import Current
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.place.tide import TideWindow
from service.store import tides
from service.store.codec import load_current, load_grace, load_window, plain
from service.store.ids import new_id
from service.store.tables import ClubRow, DiveRow, SitePointRow, SiteRow


@dataclass(frozen=True, slots=True)
class NewPoint:
    """A point to add to a site. `kind` is one of PointKind; `ease` goes from 1, hard, to 5, easy."""

    kind: str
    name: str
    lat: float | None = None
    lon: float | None = None
    notes: str | None = None
    ease: int | None = None
    window: TideWindow | None = None
    vehicles: bool = False


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
    non_emergency_call: str | None = None,
    aliases: tuple[str, ...] = (),
    access: str | None = None,
    notes: str | None = None,
    current: Current | None = None,
    shoreline: tuple[tuple[float, float], ...] = (),
    grace: dict[str, Any] | None = None,
    points: tuple[NewPoint, ...] = (),
) -> SiteRow:
    """A new site. `grace` holds only what differs from the club's; `shoreline` is (lat, lon) along the shore.

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
        non_emergency_call=non_emergency_call,
        access=access,
        notes=notes,
        current=None if current is None else plain(current),
        shoreline=[list(place) for place in shoreline] or None,
        grace=grace,
    )
    session.add(site)
    session.flush()
    _add_points(session, site.id, points)
    return site


def _add_points(session: Session, site_id: str, given: tuple[NewPoint, ...]) -> None:
    """The order in which they are given is kept: the best exit is named first."""
    for point in given:
        session.add(
            SitePointRow(
                site_id=site_id,
                kind=point.kind,
                name=point.name,
                lat=point.lat,
                lon=point.lon,
                ease=point.ease,
                notes=point.notes,
                window=None if point.window is None else plain(point.window),
                vehicles=point.vehicles,
            )
        )
    session.flush()


def keep(
    session: Session, club_id: str, site: ClubSite, over: SiteRow | None, *, zone: str, rescue_call: str
) -> SiteRow:
    """Write a site with all its details over that one of the club, in use or retired; as a new one over None.

    Its grace periods and tides stay, and a retired site is in use again. `zone` and `rescue_call` are those that hold.
    Raises IntegrityError for a new one where the club has a site of its code.
    """
    details = {
        "name": site.name,
        "aliases": list(site.aliases),
        "zone": zone,
        "lat": site.position.lat,
        "lon": site.position.lon,
        "rescue_call": rescue_call,
        "non_emergency_call": site.non_emergency_call,
        "access": site.access,
        "notes": site.notes,
        "current": None if site.current is None else plain(site.current),
        "shoreline": [[place.lat, place.lon] for place in site.shoreline] or None,
        "retired_at": None,
    }
    row = over
    if row is None:
        row = SiteRow(id=new_id(), club_id=club_id, code=site.code, grace=None, **details)
        session.add(row)
    else:
        for name, value in details.items():
            setattr(row, name, value)
        # One by one, since SQLite gives their numbers to the new ones, and the session must forget the old.
        for point in points(session, row.id):
            session.delete(point)
    session.flush()
    _add_points(session, row.id, tuple(map(_new_point, site.points)))
    return row


def _new_point(point: SitePoint) -> NewPoint:
    lat, lon = (None, None) if point.position is None else (point.position.lat, point.position.lon)
    return NewPoint(
        str(point.kind), point.name, lat, lon, point.notes, point.ease, window=point.window, vehicles=point.vehicles
    )


def get(session: Session, club_id: str, site_id: str) -> SiteRow | None:
    """The site of that id, if it is the club's."""
    site = session.get(SiteRow, site_id)
    return site if site is not None and site.club_id == club_id else None


def by_code(session: Session, club_id: str, code: str) -> SiteRow | None:
    """The club's site of that code, in whatever case it is written, also when it is no longer in use."""
    found = select(SiteRow).where(SiteRow.club_id == club_id, SiteRow.code == code.upper())
    return session.execute(found).scalar_one_or_none()


def hold(session: Session, club_id: str, code: str) -> SiteRow | None:
    """The same as it stands now, kept from every other change until this transaction ends.

    Plans are filed for it meanwhile: they refer to the row and do not wait.
    """
    found = select(SiteRow).where(SiteRow.club_id == club_id, SiteRow.code == code.upper())
    held = found.with_for_update(key_share=True).execution_options(populate_existing=True)
    return session.execute(held).scalar_one_or_none()


def all_of(session: Session, club_id: str) -> list[SiteRow]:
    """All sites of a club, those in use first, by name."""
    found = select(SiteRow).where(SiteRow.club_id == club_id)
    return list(session.execute(found.order_by(SiteRow.retired_at.is_not(None), SiteRow.name, SiteRow.code)).scalars())


def open_dives(session: Session, club_id: str, site_id: str) -> list[tuple[str, str]]:
    """Reference and lead of each dive at a site that is not closed, by when they were filed."""
    row = DiveRow
    found = select(row.reference, row.lead_name).where(
        row.club_id == club_id, row.site_id == site_id, row.closed_at.is_(None)
    )
    return [(reference, lead) for reference, lead in session.execute(found.order_by(row.filed_at, row.id))]


def listing(session: Session, club_id: str) -> list[SiteRow]:
    """The sites in use of a club, by name."""
    found = select(SiteRow).where(SiteRow.club_id == club_id, SiteRow.retired_at.is_(None))
    return list(session.execute(found.order_by(SiteRow.name, SiteRow.code)).scalars())


def points(session: Session, site_id: str) -> list[SitePointRow]:
    """The points of a site in the order in which they were given: the best exit is named first."""
    found = select(SitePointRow).where(SitePointRow.site_id == site_id).order_by(SitePointRow.id)
    return list(session.execute(found).scalars())


def club_site(session: Session, row: SiteRow) -> ClubSite:
    """A site with all its details, but for grace periods and tides. Raises UnreadableError for damaged ones."""
    return ClubSite(
        code=row.code,
        name=row.name,
        position=Position(row.lat, row.lon),
        zone=row.zone,
        rescue_call=row.rescue_call,
        non_emergency_call=row.non_emergency_call,
        aliases=tuple(row.aliases),
        access=row.access,
        notes=row.notes,
        current=None if row.current is None else load_current(row.current),
        points=tuple(map(_site_point, points(session, row.id))),
        shoreline=tuple(Position(lat, lon) for lat, lon in row.shoreline or ()),
    )


def plan_of(session: Session, row: SiteRow, around: tuple[datetime, datetime]) -> SitePlan:
    """What a dive takes along of its site: all its points, shoreline and usual current, and the tides `around` it.

    Raises UnreadableError for a damaged site.
    """
    site = club_site(session, row)
    return SitePlan(
        name=site.name,
        zone=row.zone,
        rescue_call=row.rescue_call,
        code=site.code,
        position=site.position,
        access=site.access,
        non_emergency_call=site.non_emergency_call,
        points=site.points,
        shoreline=site.shoreline,
        current=site.current,
        tides=tides.between(session, row.id, around),
    )


def _site_point(row: SitePointRow) -> SitePoint:
    return SitePoint(
        kind=PointKind(row.kind),
        name=row.name,
        position=None if row.lat is None or row.lon is None else Position(row.lat, row.lon),
        ease=row.ease,
        notes=row.notes,
        window=None if row.window is None else load_window(row.window),
        vehicles=row.vehicles,
    )


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


def with_grace(session: Session, club_id: str) -> list[SiteRow]:
    """The club's sites that have grace periods of their own, those no longer in use too, by name."""
    found = select(SiteRow).where(SiteRow.club_id == club_id).order_by(SiteRow.name, SiteRow.code)
    return [site for site in session.execute(found).scalars() if site.grace]


def grace_for(session: Session, club_id: str, site_id: str | None) -> GracePeriods:
    """The grace periods that hold: each one the site's, else the club's, else the default.

    Raises UnreadableError for stored periods that are none.
    """
    club = session.get(ClubRow, club_id)
    site = None if site_id is None else get(session, club_id, site_id)
    club_grace = (club.grace if club else None) or {}
    return load_grace(club_grace | ((site.grace if site else None) or {}))
