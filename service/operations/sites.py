"""The sites of a club: listed, given out as files, and taken from files, all of a file or nothing of it."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeVar

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.documents.site_geojson import from_geojson, to_geojson
from service.documents.site_gpx import from_gpx, to_gpx
from service.documents.site_reading import FILE, Fault, SiteFileError, SiteRead
from service.documents.tides_csv import from_csv, to_csv
from service.domain.place.club_site import ClubSite
from service.domain.place.position import Position
from service.domain.place.tide import check_extremes
from service.operations.place_reading import far_words, known_positions, swapped_words
from service.operations.service import Service
from service.operations.zones import zone_ashore
from service.store import clubs, log, sites, tides
from service.store.engine import RunAgainError
from service.store.tables.club import ClubRow
from service.store.tables.site import SiteRow

Json = dict[str, Any]
Done = TypeVar("Done")


class Format(StrEnum):
    """The file formats of a site."""

    GEOJSON = "geojson"
    GPX = "gpx"


_WRITERS: dict[Format, Callable[[ClubSite], bytes]] = {Format.GEOJSON: to_geojson, Format.GPX: to_gpx}
_READERS: dict[Format, Callable[[bytes, str | None], SiteRead]] = {Format.GEOJSON: from_geojson, Format.GPX: from_gpx}


@dataclass(frozen=True, slots=True)
class SiteListed:
    """A site in a list. `tides_until_at` is the last high or low water known; `points` how many of each kind."""

    code: str
    name: str
    zone: str
    position: Position
    rescue_call: str
    points: dict[str, int]
    tides_until_at: datetime | None


@dataclass(frozen=True, slots=True)
class SiteImported:
    """What an import did, or would do where it was only checked; `notes` is what was left out or is worth a look."""

    site: SiteListed
    new: bool
    notes: tuple[Fault, ...]


@dataclass(frozen=True, slots=True)
class TidesImported:
    """How many high and low waters a file held, and from when to when."""

    count: int
    first_at: datetime
    last_at: datetime


class _OnlyCheckedError(Exception):
    """Takes back a transaction that was to be tried only; carries what it would have done."""

    def __init__(self, result: Any) -> None:
        super().__init__()
        self.result = result


def list_sites(service: Service, club_id: str) -> list[SiteListed]:
    """The club's sites in use, by name."""
    return service.read(lambda session: [_listed(session, row) for row in sites.listing(session, club_id)])


def export_site(service: Service, club_id: str, code: str, wanted: Format) -> bytes | None:
    """A site of the club as a file; None where it has none of that code in use."""

    def work(session: Session) -> bytes | None:
        row = _in_use(session, club_id, code)
        return None if row is None else _WRITERS[wanted](sites.club_site(session, row))

    return service.read(work)


def import_site(
    service: Service,
    club_id: str,
    data: bytes,
    given: Format,
    actor: Json,
    *,
    code: str | None = None,
    check: bool = False,
) -> SiteImported:
    """Put a file in the place of the site of its code, or make it a new site; its tides and grace periods stay.

    `code` is the site that is meant, for a file that names none. `actor` goes into the log. With `check` nothing is
    changed. Live dives keep the site of the day they were filed. Raises SiteFileError with all faults, LookupError for
    no such club.
    """
    read = _READERS[given](data, code)

    def work(session: Session) -> SiteImported:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        known = known_positions(session, club_id)
        if swapped := swapped_words(read.site.position, known):
            raise SiteFileError([Fault(FILE, swapped)])
        before = sites.by_code(session, club_id, read.site.code)
        imported = _kept(session, club, before, read, far_words(read.site.position, known))
        detail = {"code": read.site.code, "name": read.site.name, "new": imported.new, "format": str(given)}
        detail |= {"points": imported.site.points, "shoreline": len(read.site.shoreline)}
        _log(session, service, club_id, "site_imported", actor, detail | _mark(data))
        return _or_take_back(imported, check=check)

    return _written(service, work)


def _kept(session: Session, club: ClubRow, before: SiteRow | None, read: SiteRead, far: str | None) -> SiteImported:
    """Where the file leaves zone or rescue call open, those of the site stay, and a new one gets the club's.

    The zone of a new site is that of its position, if that lies ashore.
    """
    site = read.site
    zone = site.zone or (before.zone if before else zone_ashore(site.position, club.zone))
    rescue_call = site.rescue_call or (before.rescue_call if before else club.rescue_call)
    try:
        row = sites.keep(session, club.id, site, zone=zone, rescue_call=rescue_call)
    except IntegrityError as error:
        raise RunAgainError from error  # somebody else made a site of that code just now
    notes = (*read.left_out, Fault(FILE, far)) if far else read.left_out
    return SiteImported(_listed(session, row), before is None, notes)


def export_tides(service: Service, club_id: str, code: str) -> bytes | None:
    """All high and low waters of a site as CSV; None where the club has no such site in use."""

    def work(session: Session) -> bytes | None:
        row = _in_use(session, club_id, code)
        return None if row is None else to_csv(tides.between(session, row.id), row.zone)

    return service.read(work)


def import_tides(
    service: Service, club_id: str, code: str, data: bytes, actor: Json, *, check: bool = False
) -> TidesImported | None:
    """Put a CSV list in the place of what the site has from its first to its last time; the rest stays.

    With `check` nothing is changed. Live dives keep the tides of the day they were filed. None where the club has no
    such site in use. Raises SiteFileError with all faults, also where the list does not fit what is before and after.
    """

    def work(session: Session) -> TidesImported | None:
        row = _in_use(session, club_id, code)
        if row is None:
            return None
        extremes = from_csv(data, row.zone)
        tides.replace(session, row.id, extremes)
        if seams := check_extremes(tides.between(session, row.id)):
            words = " ".join(("With what the site has before and after, it does not make one list.", *seams))
            raise SiteFileError([Fault(FILE, words)])
        imported = TidesImported(len(extremes), extremes[0].at, extremes[-1].at)
        detail = {"code": row.code, "count": imported.count}
        _log(session, service, club_id, "tides_imported", actor, detail | _mark(data))
        return _or_take_back(imported, check=check)

    return _written(service, work)


def _or_take_back(result: Done, *, check: bool) -> Done:
    if check:
        raise _OnlyCheckedError(result)
    return result


def _written(service: Service, work: Callable[[Session], Done]) -> Done:
    """Run a unit of work; one that was only to be checked leaves no trace."""
    try:
        return service.write(work)
    except _OnlyCheckedError as checked:
        done: Done = checked.result
        return done


def _in_use(session: Session, club_id: str, code: str) -> SiteRow | None:
    row = sites.by_code(session, club_id, code)
    return row if row is not None and row.retired_at is None else None


def _listed(session: Session, row: SiteRow) -> SiteListed:
    return SiteListed(
        code=row.code,
        name=row.name,
        zone=row.zone,
        position=Position(row.lat, row.lon),
        rescue_call=row.rescue_call,
        points=dict(Counter(point.kind for point in sites.points(session, row.id))),
        tides_until_at=tides.last_at(session, row.id),
    )


def _mark(data: bytes) -> Json:
    """What tells one file from another, without keeping it."""
    return {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}


def _log(session: Session, service: Service, club_id: str, kind: str, actor: Json, detail: Json) -> None:
    chain, now = log.club_chain(club_id), service.clock.now()
    log.append(session, chain=chain, at=now, kind=kind, actor=actor, detail=detail, club_id=club_id)
