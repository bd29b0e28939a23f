"""Whether the contacts of a plan can be relied upon: what each said, and when something of ours last reached them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.domain.people import Channel, Recipient, contact_key
from service.domain.plan import Contact, DivePlan
from service.domain.standing import NOBODY, WORDS, ContactKnown, Reach, Standing, standing_of
from service.operations.service import Service
from service.store import clubs, dives, log, opt_outs, reaches
from service.store.outbox import Message
from service.store.tables.club import ClubRow

Asked = Contact | Recipient  # a contact as a plan names them, or a dive


@dataclass(frozen=True, slots=True)
class ContactStanding:
    """How far one contact of a dive can be relied upon; `fails_now`: in this dive the way to them is known to fail."""

    key: str
    name: str
    standing: Standing
    fails_now: bool

    @property
    def words(self) -> str:
        """The standing in plain words."""
        return WORDS[self.standing]


def contacts_known(
    session: Session, club: ClubRow, contacts: Sequence[Asked], now: datetime
) -> tuple[ContactKnown, ...]:
    """What the club knows of each of these contacts, in their order."""
    return _known(session, club.receiving_number, contacts, reaches.find(session, club.id, _phones(contacts)), now)


def known_of_plan(
    session: Session, club: ClubRow, plan: DivePlan, now: datetime, *, drill: bool
) -> tuple[ContactKnown, ...]:
    """The same of the contacts of a plan, and whether they dive themselves; in a drill nobody does."""
    known = contacts_known(session, club, plan.contacts, now)
    dive = [plan.dives_too(contact) and not drill for contact in plan.contacts]
    return tuple(replace(one, dives=dives) for one, dives in zip(known, dive, strict=True))


def contacts_held(
    session: Session, club: ClubRow, contacts: Sequence[Asked], now: datetime
) -> tuple[ContactKnown, ...]:
    """The same, and nobody else learns anything of them until this transaction ends; from now on they are kept."""
    phones = _phones(contacts)
    reaches.know(session, club.id, phones)
    return _known(session, club.receiving_number, contacts, reaches.hold(session, club.id, phones), now)


def _phones(contacts: Sequence[Asked]) -> list[str]:
    return [contact.phone for contact in contacts if contact.phone]


def _known(
    session: Session, number: str, contacts: Sequence[Asked], known: Mapping[str, Reach], now: datetime
) -> tuple[ContactKnown, ...]:
    found = []
    deaf = opt_outs.opted_out(session, [(number, phone) for phone in _phones(contacts)])
    for contact in contacts:
        phone = contact.phone or ""
        reach = replace(known.get(phone, Reach()), opted_out=(number, phone) in deaf)
        standing = standing_of(reach, now, takes_texts=Channel.TEXT in contact.channels)
        found.append(ContactKnown(contact.name, reach, standing))
    return tuple(found)


def newcomers(contacts: Sequence[Asked], known: Sequence[ContactKnown]) -> tuple[str, ...]:
    """The keys of those who have never been told what a contact does, and can be told by a text.

    A call about it would be noise, so a landline is never asked.
    """
    return tuple(
        contact_key(place)
        for place, (contact, one) in enumerate(zip(contacts, known, strict=True))
        if Channel.TEXT in contact.channels and one.standing not in NOBODY and one.reach.is_new
    )


def lost(known: Sequence[ContactKnown]) -> list[tuple[str, str]]:
    """The key of each contact to whom nothing is to go, and why, in the heart's word for it."""
    return [(contact_key(place), str(one.standing)) for place, one in enumerate(known) if one.standing in NOBODY]


def standings(service: Service, dive: Dive) -> tuple[ContactStanding, ...]:
    """How far each contact of a dive can be relied upon, as it is now."""
    now = service.clock.now()

    def work(session: Session) -> tuple[ContactStanding, ...]:
        number = dives.receiving_number_of(session, dive.id)
        kept = reaches.find(session, dive.club_id, _phones(dive.contacts))
        known = _known(session, number, dive.contacts, kept, now)
        return tuple(
            ContactStanding(contact.key, contact.name, one.standing, contact.key in dive.unreachable)
            for contact, one in zip(dive.contacts, known, strict=True)
        )

    return service.read(work)


def note_opted_out(session: Session, message: Message, gateway: str, now: datetime) -> None:
    """A gateway says that whoever this text was for wants none: that holds as if they had texted STOP.

    Its own dive learns that from the text, any other dive when it next has something for that phone.
    """
    club = clubs.get(session, message.club_id)
    if club is None or not opt_outs.opt_out(session, club.receiving_number, message.phone, now):
        return
    log.append(
        session,
        chain=log.club_chain(club.id),
        at=now,
        kind="opted_out",
        actor={"role": "gateway", "name": gateway},
        detail={"phone": message.phone, "message": message.id},
        club_id=club.id,
    )
