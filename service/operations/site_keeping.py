"""The one way in which a site is written: checked against the club's others, kept, and told in the club's log.

A form, a file at the desk, a script and the command line all come through here.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Collection, Sequence
from dataclasses import asdict, dataclass
from datetime import datetime
from typing import Any, Final, TypeVar

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.documents.site_reading import FILE, SITE, Fault, SiteFileError, SiteRead
from service.domain.place.club_site import ClubSite
from service.domain.place.site_changes import Change, changes
from service.operations.place_reading import far_words, known_positions, swapped_words
from service.operations.service import Service
from service.operations.zones import zone_ashore
from service.store import log, log_since, sites
from service.store.codec import canonical, plain
from service.store.engine import RunAgainError
from service.store.tables.club import ClubRow
from service.store.tables.site import SiteRow

Json = dict[str, Any]
Done = TypeVar("Done")

ADDED: Final = "site_added"
CHANGED: Final = "site_changed"
IMPORTED: Final = "site_imported"
RETIRED: Final = "site_retired"
BROUGHT_BACK: Final = "site_brought_back"
OF_SITES: Final = (ADDED, CHANGED, IMPORTED, RETIRED, BROUGHT_BACK)
"""Kinds of entries in the club's log that say that a site is another one than before."""


@dataclass(frozen=True, slots=True)
class Meanwhile:
    """What somebody else did to a site: who, when, and what is different."""

    at: datetime
    by: str
    kind: str
    changes: tuple[Change, ...]


class StaleSiteError(Exception):
    """The site is another one than the form was made from; nothing was written."""

    def __init__(self, meanwhile: Sequence[Meanwhile]) -> None:
        super().__init__("the site was changed meanwhile")
        self.meanwhile = tuple(meanwhile)


@dataclass(frozen=True, slots=True)
class Kept:
    """A site as it was written; `notes` is what was left out or is worth a look, `changes` what is different."""

    row: SiteRow
    new: bool
    notes: tuple[Fault, ...]
    changes: tuple[Change, ...]


@dataclass(frozen=True, slots=True)
class Writing:
    """How a site is to be written.

    `of` is the code of the site that is edited; without it the code that was read decides, and makes a new site where
    there is none. `only_new`: a site of that code must not be there yet. `opened` is the mark of what the writer saw.
    `more` goes into the log as well.
    """

    kind: str
    actor: Json
    of: str | None = None
    only_new: bool = False
    opened: str | None = None
    more: Json | None = None


def keep_site(service: Service, session: Session, club: ClubRow, read: SiteRead, writing: Writing) -> Kept:
    """Write what was read, or nothing. Raises SiteFileError with what is wrong, StaleSiteError, LookupError.

    Where it leaves zone or rescue call open, those of the site stay, and a new one gets the club's; the zone of a new
    site is that of its position, if that lies ashore. What a form leaves as it was makes no entry in the log.
    """
    site, known = read.site, known_positions(session, club.id)
    if swapped := swapped_words(site.position, known):
        raise SiteFileError([Fault(FILE, swapped)])
    before = sites.hold(session, club.id, writing.of or site.code)
    if writing.of is not None and before is None:
        raise LookupError(f"no site {writing.of}")
    was = None if before is None else sites.club_site(session, before)
    _refuse_stale(session, club.id, before, writing)
    taken = site.code != before.code if before is not None else False
    if (writing.only_new and before is not None) or (taken and sites.by_code(session, club.id, site.code) is not None):
        raise SiteFileError([Fault(SITE, f"The club has a site {site.code} already. Choose another code.")])
    notes = (*read.left_out, *_named_twice(session, club.id, site, before))
    if far := far_words(site.position, known):
        notes = (*notes, Fault(FILE, far))
    row = _written(session, club, before, site)
    different = changes(was, sites.club_site(session, row))
    if different or was is None or writing.more is not None:
        detail = {"code": row.code, "name": row.name, "new": was is None, **(writing.more or {})}
        detail["changes"] = [asdict(change) for change in different]
        log_site(session, service, club.id, writing.kind, writing.actor, detail)
    return Kept(row, was is None, notes, different)


def _written(session: Session, club: ClubRow, before: SiteRow | None, site: ClubSite) -> SiteRow:
    zone = site.zone or (before.zone if before else zone_ashore(site.position, club.zone))
    rescue_call = site.rescue_call or (before.rescue_call if before else club.rescue_call)
    if before is not None and before.code != site.code:
        before.code = site.code
    try:
        session.flush()
        return sites.keep(session, club.id, site, before, zone=zone, rescue_call=rescue_call)
    except IntegrityError as error:
        raise RunAgainError from error  # somebody else made a site of that code just now


def _named_twice(session: Session, club_id: str, site: ClubSite, before: SiteRow | None) -> list[Fault]:
    """Names that another site in use has too: a text with one of them would be asked about, or mean the other one.

    Raises SiteFileError for a code that is another site's name: there the code would win without a question.
    """
    notes = []
    own = (site.name, *site.aliases)
    for other in sites.listing(session, club_id):
        if before is not None and other.id == before.id:
            continue
        theirs = _folded((other.code, other.name, *other.aliases))
        if site.code.casefold() in _folded((other.name, *other.aliases)):
            words = f"{site.code} is another name of {other.code} ({other.name}). Choose another code."
            raise SiteFileError([Fault(SITE, words)])
        both = [name for name in own if _folded((name,)) & theirs]
        notes += [
            Fault(SITE, f'"{name}" also means {other.code} ({other.name}): texts need the code.') for name in both
        ]
    return notes


def _folded(names: Collection[str]) -> set[str]:
    return {" ".join(name.split()).casefold() for name in names}


# What somebody saw, and what happened since


def mark_of(session: Session, club_id: str, row: SiteRow) -> str:
    """What a form carries of the site that it was made from: its state, and how far the club's log was."""
    return f"{_state(session, row)}.{log_since.last_seq(session, log.club_chain(club_id))}"


def _state(session: Session, row: SiteRow) -> str:
    whole = canonical([plain(sites.club_site(session, row)), row.retired_at is None])
    return hashlib.sha256(whole.encode()).hexdigest()[:32]


def _refuse_stale(session: Session, club_id: str, before: SiteRow | None, writing: Writing) -> None:
    if writing.opened is None or before is None:
        return
    state, _, seq = writing.opened.partition(".")
    if state != _state(session, before):
        number = int(seq) if seq.isascii() and seq.isdecimal() and len(seq) < 12 else 0  # noqa: PLR2004 - no log is so long
        raise StaleSiteError(meanwhile(session, club_id, before.code, number))


def meanwhile(session: Session, club_id: str, code: str, seq: int) -> list[Meanwhile]:
    """What the club's log says of a site behind that entry."""
    found = log_since.since(session, log.club_chain(club_id), seq, OF_SITES)
    return [
        Meanwhile(
            one.at,
            str(one.actor.get("name") or one.actor.get("role") or "somebody"),
            one.kind,
            tuple(Change(each["what"], each["before"], each["after"]) for each in one.detail.get("changes", ())),
        )
        for one in found
        if one.detail.get("code") == code
    ]


def log_site(session: Session, service: Service, club_id: str, kind: str, actor: Json, detail: Json) -> None:
    """An entry of the club's log about a site."""
    chain, now = log.club_chain(club_id), service.clock.now()
    log.append(session, chain=chain, at=now, kind=kind, actor=actor, detail=detail, club_id=club_id)


class OnlyCheckedError(Exception):
    """Takes back a transaction that was to be tried only; carries what it would have done."""

    def __init__(self, result: Any) -> None:
        super().__init__()
        self.result = result


def written(service: Service, work: Callable[[Session], Done]) -> Done:
    """Run a unit of work; one that was only to be checked leaves no trace."""
    try:
        return service.write(work)
    except OnlyCheckedError as checked:
        done: Done = checked.result
        return done
