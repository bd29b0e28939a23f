"""A site at the desk: looked at, edited, copied, taken out of use and back, and given out, each of it logged."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from sqlalchemy.orm import Session

from service.documents.site_reading import SITE, Fault, SiteFileError, SiteRead, code_fault
from service.domain.grace import GracePeriods
from service.domain.place.club_site import ClubSite
from service.domain.place.position import Position
from service.domain.plan import NAME_MAX
from service.operations import desk_log
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.operations.site_keeping import (
    ADDED,
    BROUGHT_BACK,
    CHANGED,
    RETIRED,
    Kept,
    Writing,
    keep_site,
    mark_of,
)
from service.operations.sites import Format, export_site, export_tides
from service.store import clubs, sites, tides

EXPORTED: Final = "site_exported"
TIDES_EXPORTED: Final = "tides_exported"


@dataclass(frozen=True, slots=True)
class SiteOpened:
    """A site as the desk shows it. `mark` is what a form carries of it; `open_dives` are reference and lead of each."""

    site: ClubSite
    mark: str
    retired_at: datetime | None
    tides_from_at: datetime | None
    tides_until_at: datetime | None
    tides_count: int
    grace: GracePeriods
    own_grace: bool
    open_dives: tuple[tuple[str, str], ...]
    only_one: bool  # no other site of the club is in use


@dataclass(frozen=True, slots=True)
class ClubDefaults:
    """What a new site begins with. `near` is the first site of the club: short plus codes are looked for there."""

    country: str
    zone: str
    rescue_call: str
    near: Position | None


def open_site(service: Service, club_id: str, code: str) -> SiteOpened | None:
    """The club's site of that code, also one that is not in use; None where it has none."""

    def work(session: Session) -> SiteOpened | None:
        row = sites.by_code(session, club_id, code)
        if row is None:
            return None
        known = tides.between(session, row.id)
        others = [one for one in sites.listing(session, club_id) if one.id != row.id]
        return SiteOpened(
            site=sites.club_site(session, row),
            mark=mark_of(session, club_id, row),
            retired_at=row.retired_at,
            tides_from_at=known[0].at if known else None,
            tides_until_at=known[-1].at if known else None,
            tides_count=len(known),
            grace=sites.grace_for(session, club_id, row.id),
            own_grace=bool(row.grace),
            open_dives=tuple(sites.open_dives(session, club_id, row.id)),
            only_one=not others,
        )

    return service.read(work)


def defaults(service: Service, club_id: str) -> ClubDefaults:
    """What a new site of the club begins with. Raises LookupError for no such club."""

    def work(session: Session) -> ClubDefaults:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        near = next((Position(site.lat, site.lon) for site in sites.listing(session, club_id)), None)
        return ClubDefaults(club.country, club.zone, club.rescue_call, near)

    return service.read(work)


def save_site(
    service: Service, admin: SignedIn, read: SiteRead, *, of: str | None = None, opened: str | None = None
) -> Kept:
    """Keep what a form says of the site `of`, or a new one without it. `opened` is the mark that the form carried.

    Under a new code the old one stays a name of it, since it is printed on signs and known by heart. Raises
    SiteFileError with what is wrong, StaleSiteError with what somebody else changed, LookupError for no such site.
    """
    site = read.site
    if of is not None and of.upper() != site.code and of.upper() not in site.aliases:
        read = replace(read, site=replace(site, aliases=(*site.aliases, of.upper())))
    kind = ADDED if of is None else CHANGED
    writing = Writing(kind, _actor(service, admin), of=of, only_new=of is None, opened=opened)

    def work(session: Session) -> Kept:
        club = clubs.get(session, admin.club_id)
        held = None if of is None else sites.hold(session, admin.club_id, of)
        if club is None or (held is not None and held.retired_at is not None):
            raise LookupError("no such site in use")
        return keep_site(service, session, club, read, writing)

    return service.write(work)


def copy_site(service: Service, admin: SignedIn, code: str, new_code: str, new_name: str) -> Kept:
    """A new site with all that one has, and its grace periods, but without its tides and other names.

    Tides may differ round the next headland, so the copy gets its own. Raises SiteFileError, LookupError.
    """
    new_code, new_name = new_code.strip().upper(), " ".join(new_name.split())
    if fault := code_fault(new_code):
        raise SiteFileError([Fault(SITE, fault)])
    if not 0 < len(new_name) <= NAME_MAX:
        raise SiteFileError([Fault(SITE, f"Give the copy a name of its own, of at most {NAME_MAX} characters.")])

    def work(session: Session) -> Kept:
        club, row = clubs.get(session, admin.club_id), sites.by_code(session, admin.club_id, code)
        if club is None or row is None:
            raise LookupError(f"no site {code}")
        site = replace(sites.club_site(session, row), code=new_code, name=new_name, aliases=())
        if sites.by_code(session, admin.club_id, new_code) is not None:
            raise SiteFileError([Fault(SITE, f"The club has a site {new_code} already. Choose another code.")])
        writing = Writing(ADDED, _actor(service, admin), only_new=True, more={"copy_of": row.code})
        kept = keep_site(service, session, club, SiteRead(site), writing)
        kept.row.grace = row.grace
        return kept

    return service.write(work)


def retire_site(service: Service, admin: SignedIn, code: str) -> tuple[tuple[str, str], ...] | None:
    """Take a site out of use. Dives that are open there go on untouched: gives which, by reference and lead.

    None where the club has no such site in use.
    """
    return service.write(lambda session: _switch(service, session, admin, code, in_use=False))


def bring_back_site(service: Service, admin: SignedIn, code: str) -> bool:
    """Put a retired site to use again. False where the club has no such retired site."""
    return service.write(lambda session: _switch(service, session, admin, code, in_use=True)) is not None


def _switch(
    service: Service, session: Session, admin: SignedIn, code: str, *, in_use: bool
) -> tuple[tuple[str, str], ...] | None:
    row = sites.hold(session, admin.club_id, code)
    if row is None or (row.retired_at is None) is in_use:
        return None
    row.retired_at = None if in_use else service.clock.now()
    going_on = tuple(sites.open_dives(session, admin.club_id, row.id))
    detail = {"code": row.code, "name": row.name, "open_dives": [reference for reference, _ in going_on]}
    desk_log.note(service, session, admin, BROUGHT_BACK if in_use else RETIRED, detail)
    return going_on


def export_at_desk(service: Service, admin: SignedIn, code: str, wanted: Format | None) -> bytes | None:
    """A site as a file, or its tides where no format is wanted; that it was taken is logged. None for no such site."""
    if wanted is None:
        data = export_tides(service, admin.club_id, code)
    else:
        data = export_site(service, admin.club_id, code, wanted)
    if data is None:
        return None
    detail: dict[str, Any] = {"code": code.upper(), "bytes": len(data), "sha256": hashlib.sha256(data).hexdigest()}
    kind = TIDES_EXPORTED if wanted is None else EXPORTED
    detail |= {} if wanted is None else {"format": str(wanted)}
    service.write(lambda session: desk_log.note(service, session, admin, kind, detail))
    return data


def _actor(service: Service, admin: SignedIn) -> dict[str, Any]:
    return {"role": "admin", "name": admin.name, "key": f"admin-{admin.admin_id}", "process": service.process}
