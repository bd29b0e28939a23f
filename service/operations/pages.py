"""What pages and scripts ask: whose link this is, which dives there are, what happened to one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.people import ADMINS, Actor, Recipient, Role, Via
from service.domain.wording import LinkKind
from service.domain.wording.timeline import what_happened, who_did
from service.operations.health import Lateness, how_late
from service.operations.links import hash_token, mint
from service.operations.service import Service
from service.store import admins, clubs, dive_lists, dives, links, log, outbox, schema
from service.store.codec import UnreadableError, load_event, plain
from service.store.dive_lists import Place
from service.store.dives import Unreadable
from service.store.log import EVENT_PREFIX, Entry
from service.store.outbox import Message

LISTED_MAX = 500
MESSAGES = "messages"


@dataclass(frozen=True, slots=True)
class LinkView:
    """Somebody with a link, and the dive it opens; `country` (ISO 3166) is the club's."""

    dive: Dive
    person: Recipient
    role: Role
    kind: LinkKind
    now: datetime
    country: str | None = None


@dataclass(frozen=True, slots=True)
class DivesPage:
    """Some dives of a club; one that cannot be read by its plain columns. `next_after`: behind which there are more."""

    dives: tuple[Dive | Unreadable, ...]
    next_after: Place | None


@dataclass(frozen=True, slots=True)
class DiveDetails:
    """A dive with its log and its messages."""

    dive: Dive
    entries: Sequence[Entry]
    messages: Sequence[Message]


@dataclass(frozen=True, slots=True)
class TimelineEntry:
    """One thing that happened: when (UTC), whose doing, in words; how many texts it caused, how many were handed."""

    at: datetime
    who: str
    words: str
    texts: int = 0
    handed: int = 0


@dataclass(frozen=True, slots=True)
class Health:
    """Whether this installation can do its duty. `lateness` is None when the database does not answer."""

    database_ok: bool
    schema_current: bool
    lateness: Lateness | None


def open_link(service: Service, token: str, *kinds: LinkKind) -> LinkView | None:
    """The dive behind a token; None for one that never was, is dead, or is of none of these kinds. Changes nothing."""
    now = service.clock.now()

    def work(session: Session) -> LinkView | None:
        link = links.find(session, hash_token(token), now)
        if link is None or link.kind not in kinds:
            return None
        dive = dives.get(session, link.dive_id)
        if dive is None:
            return None
        person = dive.person(link.person_key) or _admin(session, dive, link.person_key)
        if person is None:
            return None
        club = clubs.get(session, dive.club_id)
        country = None if club is None else club.country
        return LinkView(dive, person, _role(dive, person), LinkKind(link.kind), now, country)

    return service.read(work)


def _admin(session: Session, dive: Dive, key: str) -> Recipient | None:
    for admin in admins.admins_to_tell(session, dive.club_id):
        if key in (f"admin-{admin.id}", ADMINS):
            return Recipient(key, admin.name, admin.phone)
    return None


def _role(dive: Dive, person: Recipient) -> Role:
    if person in dive.divers:
        return Role.DIVER
    return Role.CONTACT if person in dive.contacts else Role.ADMIN


def link_actor(view: LinkView, words: str) -> Actor:
    """Who presses a button on a page; `words` is the button."""
    return Actor(view.role, view.person.name, Via.PAGE, key=view.person.key, phone=view.person.phone, words=words)


def receiving_number(service: Service, club_id: str) -> str | None:
    """The number that the club's people text to (E.164); None for no such club."""

    def work(session: Session) -> str | None:
        club = clubs.get(session, club_id)
        return None if club is None else club.receiving_number

    return service.read(work)


def note_view(service: Service, view: LinkView, page: LinkKind | None = None, document: str | None = None) -> None:
    """Log that a page was opened, or one of its documents fetched. Opening is not answering: scanners open links too.

    `page` is which, where it is not that of the link's own kind: an alarm link opens the pack as well.
    """
    detail: dict[str, object] = {"page": str(page or view.kind), **({"document": document} if document else {})}
    service.write(lambda session: _log(session, view, "page_viewed", "", detail))


def _log(session: Session, view: LinkView, kind: str, words: str, detail: dict[str, object]) -> None:
    log.append(
        session,
        chain=log.dive_chain(view.dive.id),
        at=view.now,
        kind=kind,
        actor=plain(link_actor(view, words)),
        detail=detail,
        dive_id=view.dive.id,
        club_id=view.dive.club_id,
    )


def pack_link(service: Service, view: LinkView) -> str:
    """A new address of the handover pack alone, to be passed on to rescue; that it was made, and by whom, is logged.

    It carries the name of whoever asked for it, and can answer nothing.
    """

    def work(session: Session) -> str:
        token = mint(session, view.dive, view.person.key, LinkKind.HANDOVER, view.now)
        _log(session, view, "link_made", "Make a link for rescue", {"page": str(LinkKind.HANDOVER)})
        return f"{service.public_url}/{LinkKind.HANDOVER}/{token}"

    return service.write(work)


def dive_link(service: Service, dive_id: str, person_key: str, kind: LinkKind) -> str:
    """A new address for one person and one dive. Raises LookupError for no such dive."""
    now = service.clock.now()

    def work(session: Session) -> str:
        dive = dives.get(session, dive_id)
        if dive is None:
            raise LookupError(f"no dive {dive_id}")
        return f"{service.public_url}/{kind}/{mint(session, dive, person_key, kind, now)}"

    return service.write(work)


def list_dives(service: Service, club_id: str, phase: Phase | None = None, after: Place | None = None) -> DivesPage:
    """The dives of a club, latest filed first, from behind a place; at most 500 at a time.

    The first page, where no phase is asked for, begins with all whose clock runs or that are in alarm, whenever they
    were filed: whoever reads no further misses none of them. They come again at their place, since what they were when
    somebody read the first page nobody knows on the next.
    """

    def work(session: Session) -> DivesPage:
        first = phase is None and after is None
        live = dive_lists.live(session, club_id, LISTED_MAX - 1) if first else []
        shown = [one.place.dive_id for one in live]
        room = LISTED_MAX - len(live)
        found = dive_lists.listing(session, club_id, phase, room + 1, after=after, without=shown)
        next_after = found[room - 1].place if len(found) > room else None
        return DivesPage(tuple(one.dive for one in (*live, *found[:room])), next_after)

    return service.read(work)


def dive_details(service: Service, club_id: str, dive_id: str) -> DiveDetails | None:
    """One dive of this club with all that happened; None for another club's."""

    def work(session: Session) -> DiveDetails | None:
        dive = dives.get(session, dive_id)
        if dive is None or dive.club_id != club_id:
            return None
        entries = log.entries(session, log.dive_chain(dive_id))
        return DiveDetails(dive, entries, outbox.of_dive(session, dive_id))

    return service.read(work)


def timeline(service: Service, dive_id: str) -> tuple[TimelineEntry, ...]:
    """All that happened to a dive, oldest first; empty for no such dive. Raises UnreadableDive.

    An entry that cannot be read, or whose detail was erased, is a line that says so: nothing is left out unsaid.
    """

    def work(session: Session) -> tuple[TimelineEntry, ...]:
        dive = dives.get(session, dive_id)
        if dive is None:
            return ()
        handed = {message.id for message in outbox.of_dive(session, dive_id) if message.handed_at is not None}
        return _lines(dive, log.entries(session, log.dive_chain(dive_id)), handed)

    return service.read(work)


def _lines(dive: Dive, entries: list[Entry], handed: set[str]) -> tuple[TimelineEntry, ...]:
    lines: dict[int, TimelineEntry] = {}
    for entry in entries:
        if entry.kind.startswith(EVENT_PREFIX):
            lines[entry.seq] = _line(dive, entry)
        elif entry.kind == MESSAGES and entry.detail is not None and entry.detail["cause"] in lines:
            queued = [message["id"] for message in entry.detail["queued"]]
            count = sum(message in handed for message in queued)
            lines[entry.detail["cause"]] = replace(lines[entry.detail["cause"]], texts=len(queued), handed=count)
    return tuple(lines.values())


def _line(dive: Dive, entry: Entry) -> TimelineEntry:
    if entry.detail is None:
        return TimelineEntry(entry.at, "", "The detail was erased.")
    try:
        event = load_event(entry.kind.removeprefix(EVENT_PREFIX), entry.detail)
    except UnreadableError:
        return TimelineEntry(entry.at, "", f"This entry cannot be read ({entry.kind}).")
    return TimelineEntry(entry.at, who_did(event), what_happened(dive, event))


def health(service: Service) -> Health:
    """Look at the database, its schema, and how late the work is. Never raises."""
    try:
        current = schema.is_current(service.engine)
        return Health(database_ok=True, schema_current=current, lateness=how_late(service) if current else None)
    except Exception:  # noqa: BLE001 - the question is whether it works, and the answer is no
        # Whatever is wrong with the database, the answer is that it does not answer.
        return Health(database_ok=False, schema_current=False, lateness=None)
