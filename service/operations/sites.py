"""The sites of a club: listed, given out as files, and taken from files, all of a file or nothing of it."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any, TypeVar

from sqlalchemy.orm import Session

from service.documents.site_geojson import from_geojson, to_geojson
from service.documents.site_gpx import from_gpx, to_gpx
from service.documents.site_reading import FILE, Fault, SiteFileError, SiteRead
from service.documents.tides_csv import from_csv, to_csv
from service.domain.place.club_site import ClubSite
from service.domain.place.position import Position
from service.domain.place.site_changes import Change
from service.domain.place.tide import TidalExtreme, check_extremes
from service.operations.service import Service
from service.operations.site_keeping import IMPORTED, OnlyCheckedError, Writing, keep_site, log_site, written
from service.store import clubs, sites, tides
from service.store.codec import stamp
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
    """A site in a list. `tides_until_at` is the last high or low water known; `points` how many of each kind.

    `grace` holds those grace periods that the site has of its own.
    """

    code: str
    name: str
    zone: str
    position: Position
    rescue_call: str
    points: dict[str, int]
    tides_until_at: datetime | None
    retired_at: datetime | None = None
    grace: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True)
class SiteImported:
    """What an import did, or would do where it was only checked; `notes` is what was left out or is worth a look."""

    site: SiteListed
    new: bool
    notes: tuple[Fault, ...]
    changes: tuple[Change, ...] = ()


@dataclass(frozen=True, slots=True)
class TidesImported:
    """How many high and low waters a file held, and from when to when.

    Of these so many are `new`, or `replaced` by others of the same time. `dropped` were known and are not in the file.
    """

    count: int
    first_at: datetime
    last_at: datetime
    new: int
    replaced: int
    dropped: int


def list_sites(service: Service, club_id: str, *, retired: bool = False) -> list[SiteListed]:
    """The club's sites in use, by name; with `retired` those that are not in use too, behind them."""
    found = sites.all_of if retired else sites.listing
    return service.read(lambda session: [listed(session, row) for row in found(session, club_id)])


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
    opened: str | None = None,
) -> SiteImported:
    """Put a file in the place of the site of its code, or make it a new site; its tides and grace periods stay.

    `code` is the site that is meant, for a file that names none. `actor` goes into the log. With `check` nothing is
    changed. Live dives keep the site of the day they were filed. `opened` is the mark of the site that was seen before.
    Raises SiteFileError with all faults, StaleSiteError where that site is another one by now, LookupError for no such
    club.
    """
    read = _READERS[given](data, code)
    more: Json = {"format": str(given), "points": dict(Counter(point.kind for point in read.site.points))}
    more |= {"shoreline": len(read.site.shoreline), **_mark(data)}
    writing = Writing(IMPORTED, actor, opened=opened, more=more)

    def work(session: Session) -> SiteImported:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        kept = keep_site(service, session, club, read, writing)
        return _or_take_back(SiteImported(listed(session, kept.row), kept.new, kept.notes, kept.changes), check=check)

    return written(service, work)


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
        there = {one.at: one for one in tides.between(session, row.id, (extremes[0].at, extremes[-1].at))}
        tides.replace(session, row.id, extremes)
        if seams := check_extremes(tides.between(session, row.id)):
            words = " ".join(("With what the site has before and after, it does not make one list.", *seams))
            raise SiteFileError([Fault(FILE, words)])
        imported = _compared(extremes, there)
        detail = {"code": row.code, "count": imported.count, "new": imported.new, "replaced": imported.replaced}
        detail |= {"dropped": imported.dropped, "until": stamp(imported.last_at)}
        log_site(session, service, club_id, "tides_imported", actor, detail | _mark(data))
        return _or_take_back(imported, check=check)

    return written(service, work)


def _compared(extremes: Sequence[TidalExtreme], there: Mapping[datetime, TidalExtreme]) -> TidesImported:
    """What a list does to what is known between its first and its last time."""
    times = {one.at for one in extremes}
    return TidesImported(
        count=len(extremes),
        first_at=extremes[0].at,
        last_at=extremes[-1].at,
        new=len(times - there.keys()),
        replaced=sum(one.at in there and there[one.at] != one for one in extremes),
        dropped=len(there.keys() - times),
    )


def _or_take_back(result: Done, *, check: bool) -> Done:
    if check:
        raise OnlyCheckedError(result)
    return result


def _in_use(session: Session, club_id: str, code: str) -> SiteRow | None:
    row = sites.by_code(session, club_id, code)
    return row if row is not None and row.retired_at is None else None


def listed(session: Session, row: SiteRow) -> SiteListed:
    """A site as it stands in a list."""
    return SiteListed(
        code=row.code,
        name=row.name,
        zone=row.zone,
        position=Position(row.lat, row.lon),
        rescue_call=row.rescue_call,
        points=dict(Counter(point.kind for point in sites.points(session, row.id))),
        tides_until_at=tides.last_at(session, row.id),
        retired_at=row.retired_at,
        grace=row.grace,
    )


def _mark(data: bytes) -> Json:
    """What tells one file from another, without keeping it."""
    return {"bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
