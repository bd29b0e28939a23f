"""What the practice page shows of each phone: whose it is, what it sent and got, and whether it rings."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.store import admins, clubs, people, practice
from service.store.practice import FROM_PHONE, TO_PHONE, PracticeMessage
from service.store.tables.club import ClubRow


@dataclass(frozen=True, slots=True)
class Card:
    """One practice phone with all that went to and from it, first to last; e-mails to its owner are among it.

    `waiting`: texts that will come when it is switched on. `ringing`: a call that nobody has taken yet. A mailbox whose
    owner has no phone here is a card too, with its address for a number.
    """

    phone: str
    name: str
    role: str
    receiver: str
    on: bool
    shown: Sequence[PracticeMessage]
    ringing: PracticeMessage | None
    waiting: int

    @property
    def is_mailbox(self) -> bool:
        """Whether nobody can text from here."""
        return "@" in self.phone

    def of(self, channel: Channel) -> list[PracticeMessage]:
        """What it shows of one channel."""
        return [message for message in self.shown if message.channel == channel]


@dataclass(frozen=True, slots=True)
class _Owner:
    name: str
    role: str
    club: ClubRow


def read_cards(session: Session) -> list[Card]:
    """The card of every phone: people of the clubs first, then what else there is in the order in which it came."""
    owners, known = _owners(session), clubs.listing(session)
    phones = practice.phones_by_address(session) | _admins_phones(session, known)
    by_phone: dict[str, list[PracticeMessage]] = {phone: [] for phone in owners}
    for message in practice.all_messages(session):
        end = message.to_phone if message.direction == TO_PHONE else message.from_phone
        by_phone.setdefault(phones.get(end, end), []).append(message)
    return [
        _card(session, phone, owners.get(phone), known, by_phone[phone])
        for phone in by_phone
        if phone in owners or known
    ]


def _owners(session: Session) -> dict[str, _Owner]:
    """Who has which phone: the people of every club, divers first, and its admins."""
    found: dict[str, _Owner] = {}
    for club in clubs.listing(session):
        known = people.listing(session, club.id)
        ashore = {contact["phone"] for person in known for contact in person.usual_contacts}
        for person in sorted(known, key=lambda one: not one.usual_contacts):
            roles = ["diver"] if person.usual_contacts else []
            roles += ["shore contact"] if person.phone in ashore else []
            found[person.phone] = _Owner(person.name, " and ".join(roles) or "member", club)
        for person in known:
            for contact in person.usual_contacts:
                found.setdefault(contact["phone"], _Owner(contact["name"], "shore contact", club))
        for admin in admins.admins_to_tell(session, club.id):
            found.setdefault(admin.phone or "", _Owner(admin.name, "club admin", club))
    return found


def _admins_phones(session: Session, known: Sequence[ClubRow]) -> dict[str, str]:
    found = [admin for club in known for admin in admins.admins_to_tell(session, club.id)]
    return {admin.email: admin.phone for admin in found if admin.phone}


def _card(
    session: Session, phone: str, owner: _Owner | None, known: Sequence[ClubRow], messages: Sequence[PracticeMessage]
) -> Card:
    club = owner.club if owner else known[0]
    return Card(
        phone=phone,
        name=owner.name if owner else ("Another mailbox" if "@" in phone else "Another phone"),
        role=owner.role if owner else "from a plan",
        receiver=club.receiving_number,
        on=practice.is_on(session, phone),
        shown=[message for message in messages if _is_seen(message)],
        ringing=next((message for message in messages if _rings(message)), None),
        waiting=sum(_waits(message) for message in messages),
    )


def _is_seen(message: PracticeMessage) -> bool:
    return not _rings(message) and not _waits(message)


def _rings(message: PracticeMessage) -> bool:
    return message.channel == Channel.CALL and message.ended is None


def _waits(message: PracticeMessage) -> bool:
    return message.channel == Channel.TEXT and message.direction != FROM_PHONE and not message.delivered
