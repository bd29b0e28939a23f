"""The grace periods of a club and of its sites, as an admin changes them. A dive keeps those it was filed with."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Any, Final

from sqlalchemy.orm import Session

from service.domain.grace import Contradiction, FinishNeeds, GracePeriods, NeverStarted
from service.domain.people import Channel
from service.domain.place.position import Position
from service.operations.example_dive import Place
from service.operations.service import Service
from service.operations.setting_changes import (
    Change,
    NotUndone,
    changes,
    mark_of,
    record,
    to_undo,
)
from service.operations.signing_in import SignedIn
from service.store import clubs, sites
from service.store.codec import UnreadableError, load_grace, plain
from service.store.open_dives import OpenDive, open_dives
from service.store.tables.club import ClubRow
from service.store.tables.site import SiteRow

Json = dict[str, Any]
Setting = timedelta | NeverStarted | FinishNeeds
Given = Mapping[str, Setting]

CHANGED: Final = "grace_changed"
OPEN_SHOWN_MAX: Final = 50
EXAMPLE_SITE: Final = "Example Cove"


@dataclass(frozen=True, slots=True)
class SiteBrief:
    """A site in a list. `own`: how many periods it has of its own."""

    code: str
    name: str
    own: int
    retired: bool


@dataclass(frozen=True, slots=True)
class GraceView:
    """The periods of a club, or of the site `site`.

    `own` are those that differ from `base`: from the defaults, or at a site from the club's. `mark` is what a form is
    made from. `untouched` are open dives, of which there are `open_count`.
    """

    site: SiteBrief | None
    base: GracePeriods
    holds: GracePeriods
    own: Json
    mark: str
    place: Place
    history: tuple[Change, ...]
    untouched: tuple[OpenDive, ...]
    open_count: int
    sites: tuple[SiteBrief, ...]


@dataclass(frozen=True, slots=True)
class Saved:
    """It holds from now on. `seq` is its entry in the chain; None where nothing was different."""

    seq: int | None


@dataclass(frozen=True, slots=True)
class Stale:
    """Somebody changed them after the form was made; `view` is how they stand now."""

    view: GraceView


@dataclass(frozen=True, slots=True)
class Contradicted:
    """They do not hold together: by themselves, or with what the sites named in `elsewhere` have of their own."""

    found: tuple[Contradiction, ...]
    elsewhere: tuple[tuple[SiteBrief, Contradiction], ...] = ()


def grace_view(service: Service, club_id: str, code: str | None = None) -> GraceView | None:
    """How the periods stand; None where the club has no site of that code. Raises LookupError for no such club."""
    return service.read(lambda session: _view(service, session, club_id, code))


def read_own(base: GracePeriods, own: Json) -> GracePeriods | None:
    """The base with what is stored as somebody's own; None where that is not as we write it."""
    try:
        return _holds(base, own)
    except UnreadableError:
        return None


def save(
    service: Service, admin: SignedIn, code: str | None, given: Given, made_from: str
) -> Saved | Stale | Contradicted | None:
    """Put these in the place of what the club, or the site, has of its own; what is absent is as in the base.

    None where the club has no such site.
    """

    def work(session: Session) -> Saved | Stale | Contradicted | None:
        clubs.hold(session, admin.club_id)
        scope = _scope(session, admin.club_id, code)
        if scope is None:
            return None
        if scope.mark != made_from:
            view = _view(service, session, admin.club_id, code)
            return None if view is None else Stale(view)
        own = {name: plain(value) for name, value in given.items() if value != getattr(scope.base, name)}
        return _put(service, session, admin, scope, own)

    return service.write(work)


def undo(service: Service, admin: SignedIn, code: str | None, seq: int) -> Saved | NotUndone | Contradicted | None:
    """Set back the last change: what was before it holds again. None where the club has no such site."""

    def work(session: Session) -> Saved | NotUndone | Contradicted | None:
        clubs.hold(session, admin.club_id)
        scope = _scope(session, admin.club_id, code)
        if scope is None:
            return None
        change = to_undo(session, admin.club_id, CHANGED, scope.code, seq, scope.own)
        if isinstance(change, NotUndone):
            return change
        return _put(service, session, admin, scope, change.before, undoes=change.seq)

    return service.write(work)


@dataclass(frozen=True, slots=True)
class _Scope:
    """Whose periods: the rows, what they differ from, and what is their own."""

    club: ClubRow
    site: SiteRow | None
    base: GracePeriods
    own: Json

    @property
    def code(self) -> str | None:
        return None if self.site is None else self.site.code

    @property
    def mark(self) -> str:
        """Of a site the club's too, since the form shows what it would follow."""
        return mark_of(self.club.grace or {}, None if self.site is None else self.own)


def _scope(session: Session, club_id: str, code: str | None) -> _Scope | None:
    club = clubs.get(session, club_id)
    if club is None:
        raise LookupError(f"no club {club_id}")
    if code is None:
        return _Scope(club, None, GracePeriods(), club.grace or {})
    site = sites.by_code(session, club_id, code)
    return None if site is None else _Scope(club, site, load_grace(club.grace or {}), site.grace or {})


def _holds(base: GracePeriods, own: Json) -> GracePeriods:
    """The base with what is of its own."""
    read = load_grace(own)
    return replace(base, **{name: getattr(read, name) for name in own if hasattr(read, name)})


def _put(
    service: Service, session: Session, admin: SignedIn, scope: _Scope, own: Json, undoes: int | None = None
) -> Saved | Contradicted:
    wrong = _holds(scope.base, own).contradictions()
    elsewhere = () if scope.site is not None or wrong else _wrong_at_sites(session, admin.club_id, own)
    if wrong or elsewhere:
        return Contradicted(wrong, elsewhere)
    if own == scope.own:
        return Saved(None)
    before = scope.own
    if scope.site is None:
        clubs.set_grace(session, admin.club_id, own or None)
    else:
        scope.site.grace = own or None
    return Saved(record(service, session, admin, CHANGED, about=scope.code, before=before, after=own, undoes=undoes))


def _wrong_at_sites(session: Session, club_id: str, own: Json) -> tuple[tuple[SiteBrief, Contradiction], ...]:
    """What would contradict at sites that have some of their own, where the rest follows the club's."""
    club = load_grace(own)
    return tuple(
        (_brief(site), wrong)
        for site in sites.with_grace(session, club_id)
        for wrong in _holds(club, site.grace or {}).contradictions()
    )


def _view(service: Service, session: Session, club_id: str, code: str | None) -> GraceView | None:
    scope = _scope(session, club_id, code)
    if scope is None:
        return None
    site_id = None if scope.site is None else scope.site.id
    untouched, count = open_dives(session, club_id, site_id, limit=OPEN_SHOWN_MAX)
    listed = sites.listing(session, club_id)
    return GraceView(
        site=None if scope.site is None else _brief(scope.site),
        base=scope.base,
        holds=_holds(scope.base, scope.own),
        own=scope.own,
        mark=scope.mark,
        place=_place(service, scope.club, scope.site or next(iter(listed), None)),
        history=tuple(changes(session, club_id, CHANGED, scope.code)),
        untouched=tuple(untouched),
        open_count=count,
        sites=tuple(map(_brief, listed)),
    )


def _brief(site: SiteRow) -> SiteBrief:
    return SiteBrief(site.code, site.name, len(site.grace or {}), retired=site.retired_at is not None)


def _place(service: Service, club: ClubRow, site: SiteRow | None) -> Place:
    calls = Channel.CALL in service.channels
    if site is None:
        return Place(club.name, EXAMPLE_SITE, club.zone, club.rescue_call, calls=calls)
    position = Position(site.lat, site.lon)
    return Place(club.name, site.name, site.zone, site.rescue_call, site.code, position, calls=calls)
