"""What pages and scripts ask: whose link this is, which dives there are, what happened to one."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.people import ADMINS, Actor, Recipient, Role, Via
from service.domain.wording import LinkKind
from service.operations.health import Lateness, how_late
from service.operations.links import hash_token, mint
from service.operations.service import Service
from service.store import admins, dives, links, log, outbox, schema
from service.store.codec import plain
from service.store.log import Entry
from service.store.outbox import Message

LISTED_MAX = 500


@dataclass(frozen=True, slots=True)
class LinkView:
    """Somebody with a link, and the dive it opens."""

    dive: Dive
    person: Recipient
    role: Role
    kind: LinkKind
    now: datetime


@dataclass(frozen=True, slots=True)
class DiveDetails:
    """A dive with its log and its messages."""

    dive: Dive
    entries: Sequence[Entry]
    messages: Sequence[Message]


@dataclass(frozen=True, slots=True)
class Health:
    """Whether this installation can do its duty. `lateness` is None when the database does not answer."""

    database_ok: bool
    schema_current: bool
    lateness: Lateness | None


def open_link(service: Service, token: str, kind: LinkKind) -> LinkView | None:
    """The dive behind a token; None for one that never was, is dead, or is of another kind. Changes nothing."""
    now = service.clock.now()

    def work(session: Session) -> LinkView | None:
        link = links.find(session, hash_token(token), now)
        if link is None or link.kind != str(kind):
            return None
        dive = dives.get(session, link.dive_id)
        if dive is None:
            return None
        person = dive.person(link.person_key) or _admin(session, dive, link.person_key)
        return None if person is None else LinkView(dive, person, _role(dive, person), kind, now)

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


def note_view(service: Service, view: LinkView) -> None:
    """Log that an alarm page was opened. Opening is not answering: previewers and scanners open links too."""

    def work(session: Session) -> None:
        log.append(
            session,
            chain=log.dive_chain(view.dive.id),
            at=view.now,
            kind="page_viewed",
            actor=plain(link_actor(view, "")),
            detail={"page": str(view.kind)},
            dive_id=view.dive.id,
            club_id=view.dive.club_id,
        )

    service.write(work)


def dive_link(service: Service, dive_id: str, person_key: str, kind: LinkKind) -> str:
    """A new address for one person and one dive. Raises LookupError for no such dive."""
    now = service.clock.now()

    def work(session: Session) -> str:
        dive = dives.get(session, dive_id)
        if dive is None:
            raise LookupError(f"no dive {dive_id}")
        return f"{service.public_url}/{kind}/{mint(session, dive, person_key, kind, now)}"

    return service.write(work)


def list_dives(service: Service, club_id: str, phase: Phase | None) -> list[Dive]:
    """The dives of a club, newest first, at most 500."""
    return service.read(lambda session: dives.listing(session, club_id, phase, LISTED_MAX))


def dive_details(service: Service, club_id: str, dive_id: str) -> DiveDetails | None:
    """One dive of this club with all that happened; None for another club's."""

    def work(session: Session) -> DiveDetails | None:
        dive = dives.get(session, dive_id)
        if dive is None or dive.club_id != club_id:
            return None
        entries = log.entries(session, log.dive_chain(dive_id))
        return DiveDetails(dive, entries, outbox.of_dive(session, dive_id))

    return service.read(work)


def health(service: Service) -> Health:
    """Look at the database, its schema, and how late the work is. Never raises."""
    try:
        current = schema.is_current(service.engine)
        return Health(database_ok=True, schema_current=current, lateness=how_late(service) if current else None)
    except Exception:  # noqa: BLE001 - the question is whether it works, and the answer is no
        # Whatever is wrong with the database, the answer is that it does not answer.
        return Health(database_ok=False, schema_current=False, lateness=None)
