"""Looking through a club's log: its own chain and those of its dives, and nobody else's."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.operations.desk_log import note
from service.operations.log_words import who, words_of
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import log, log_search
from service.store.log import Entry
from service.store.log_search import Page, Place, Wanted

VIEWED: Final = "page_viewed"  # in the log
NOTED_AGAIN_AFTER: Final = timedelta(minutes=10)
_LOOKED_AT_LAST: Final = 20


@dataclass(frozen=True, slots=True)
class Found:
    """One entry that was looked for, in words; `reference` and `site` are its dive's."""

    entry: Entry
    who: str
    words: str
    reference: str | None
    site: str | None


@dataclass(frozen=True, slots=True)
class Looked:
    """A page of a club's log, and all the kinds that the club has."""

    page: Page
    found: tuple[Found, ...]
    kinds: tuple[str, ...]
    dives: int | None  # how many dives have the reference that was asked for


def look(service: Service, wanted: Wanted, reference: str | None, after: Place | None) -> Looked:
    """The entries that are wanted, the newest first; of dives with that reference where one is given."""
    dive_ids = None
    if reference is not None:
        dive_ids = service.read(lambda session: log_search.dives_with(session, wanted.club_id, reference))
        wanted = replace(wanted, dive_ids=dive_ids)
    page = _page(service, wanted, after)

    def work(session: Session) -> Looked:
        known = log_search.named(
            session, wanted.club_id, {entry.dive_id for entry in page.entries if entry.dive_id is not None}
        )
        found = tuple(_found(entry, known.get(entry.dive_id or "")) for entry in page.entries)
        kinds = tuple(log_search.kinds(session, wanted.club_id))
        return Looked(page, found, kinds, None if dive_ids is None else len(dive_ids))

    return service.read(work)


def _page(service: Service, wanted: Wanted, after: Place | None) -> Page:
    """In one read where an index answers, else in blocks of a moment each."""
    if not wanted.is_read_through:
        return service.read(lambda session: log_search.page(session, wanted, after))
    page: Page | None = None
    while page is None or not (page.after is None or page.cut or len(page.entries) == log_search.PAGE):
        now = page
        page = service.read(lambda session, so_far=now: log_search.read_on(session, wanted, so_far, after))  # type: ignore[misc]
    return page


def note_look(service: Service, admin: SignedIn, dive_id: str | None) -> None:
    """Log that an admin looked at the log, or at a dive's: once in ten minutes, or it would fill itself."""
    detail = {"page": "log", "dive": dive_id}
    key = f"admin-{admin.admin_id}"
    since = service.clock.now() - NOTED_AGAIN_AFTER

    def is_known(session: Session) -> bool:
        last = log.latest(session, log.club_chain(admin.club_id), VIEWED, _LOOKED_AT_LAST)
        return any(
            entry.at > since and entry.detail == detail and (entry.actor or {}).get("key") == key for entry in last
        )

    if not service.read(is_known):
        service.write(lambda session: note(service, session, admin, VIEWED, detail))


def _found(entry: Entry, dive: log_search.Named | None) -> Found:
    words = words_of(entry, None if dive is None else dive.dive)
    if dive is None:
        return Found(entry, who(entry), words, None, None)
    return Found(entry, who(entry), words, dive.reference, dive.site_name)
