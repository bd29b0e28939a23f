"""Who can take part in an exercise: who plays the diver, and which contacts.

Only phones that the club knows and whose owners have not refused: nobody else's can be typed in, so that a drill is no
way to text a stranger.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from typing import Final

from sqlalchemy.orm import Session

from service.domain.plan import Contact
from service.domain.standing import NOBODY, WORDS, Standing
from service.operations.contact_reading import NamedPhone, read_contacts, usual_contact
from service.operations.own_numbers import texted_to
from service.operations.proof_of_reach import contacts_known
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import admins, clubs, people
from service.store.tables import ClubRow

MYSELF: Final = "myself"


@dataclass(frozen=True, slots=True)
class Player:
    """Somebody who can play the diver. `usual` are the phones of their usual contacts, in their order."""

    key: str
    person: NamedPhone
    usual: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DrillContact:
    """A contact who can take part. `agreed`: they said that they will be one."""

    person: NamedPhone
    standing: Standing
    agreed: bool

    @property
    def phone(self) -> str:
        """Their phone (E.164)."""
        return self.person.phone or ""

    @property
    def words(self) -> str:
        """How far they can be relied upon, in plain words."""
        return WORDS[self.standing]


@dataclass(frozen=True, slots=True)
class Roll:
    """Everybody who can take part. `left_out` are contacts to whom nothing may go, by name, and why."""

    players: tuple[Player, ...]
    contacts: tuple[DrillContact, ...]
    left_out: tuple[tuple[str, str], ...]

    def player(self, key: str) -> Player | None:
        """The player of that key."""
        return next((one for one in self.players if one.key == key), None)


def who_can(service: Service, admin: SignedIn) -> Roll:
    """Who of the admin's club can take part."""
    now = service.clock.now()

    def work(session: Session) -> Roll:
        club = clubs.get(session, admin.club_id)
        if club is None:
            raise LookupError(f"no club {admin.club_id}")
        return roll(service, session, club, admin, now)

    return service.read(work)


def roll(service: Service, session: Session, club: ClubRow, admin: SignedIn, now: datetime) -> Roll:
    """The same within a transaction."""
    listed = people.listing(session, club.id)
    players = [_myself(session, admin)] + [
        Player(
            one.id,
            NamedPhone(one.name, one.phone, language=one.language),
            tuple(contact["phone"] for contact in one.usual_contacts),
        )
        for one in listed
    ]
    named = {contact["phone"]: usual_contact(contact) for one in listed for contact in one.usual_contacts}
    usable: list[tuple[NamedPhone, Contact]] = []
    left_out = []
    ours = texted_to(session, service.own_numbers)
    for person in named.values():
        read, checks = read_contacts([person], club, service.channels, ours)
        if read:
            usable.append((person, read[0]))
        else:
            left_out.append((person.name, checks[0].words))
    contacts = []
    known = contacts_known(session, club, [contact for _, contact in usable], now)
    for (person, contact), one in zip(usable, known, strict=True):
        if one.standing in NOBODY:
            left_out.append((person.name, WORDS[one.standing]))
        else:
            told = replace(person, phone=contact.phone)
            contacts.append(DrillContact(told, one.standing, one.reach.agreed_at is not None))
    return Roll(
        tuple(player for player in players if player is not None),
        tuple(sorted(contacts, key=lambda one: (one.person.name, one.phone))),
        tuple(sorted(left_out)),
    )


def _myself(session: Session, admin: SignedIn) -> Player | None:
    row = admins.get(session, admin.admin_id)
    return None if row is None or row.phone is None else Player(MYSELF, NamedPhone(row.name, row.phone))
