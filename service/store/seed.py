"""The invented club of the demo: its sites lie in mid-ocean, so that no real place is meant.

All phone numbers are from the range that Ofcom keeps for drama, +447700900000 to +447700900999:
https://www.ofcom.org.uk/phones-and-broadband/phone-numbers/numbers-for-drama
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy.orm import Session

from service.store import admins, clubs, people, reaches, seed_sites
from service.store.passwords import hash_password

CLUB_ID: Final = "skerry-bay"
CLUB_NAME: Final = "Skerry Bay Divers"
ZONE: Final = "Europe/London"
RECEIVING_NUMBER: Final = "+447700900500"
RESCUE_CALL: Final = seed_sites.RESCUE_CALL
ADMIN_NAME: Final = "Finn Aske"
ADMIN_EMAIL: Final = "finn@example.invalid"
ADMIN_PHONE: Final = "+447700900021"

CONTACTS: Final = (
    ("Cleo Marsh", "+447700900011"),
    ("Dov Lind", "+447700900012"),
    ("Edda Rowe", "+447700900013"),
)
DIVERS: Final = (
    ("Anna Holt", "+447700900001", CONTACTS),
    ("Bram Vik", "+447700900002", CONTACTS[1:]),
)


@dataclass(frozen=True, slots=True)
class Seeded:
    """What the demo club is made of, for scripts and pages: names, phones and codes."""

    club_id: str
    receiving_number: str
    admin_email: str
    people: tuple[tuple[str, str], ...]
    sites: tuple[str, ...]


def seed(session: Session, now: datetime, *, admin_password: str) -> Seeded:
    """Add whatever of the demo club is missing; what is there already stays as it is."""
    if clubs.get(session, CLUB_ID) is None:
        clubs.add(
            session,
            club_id=CLUB_ID,
            name=CLUB_NAME,
            country="GB",
            zone=ZONE,
            receiving_number=RECEIVING_NUMBER,
            rescue_call=RESCUE_CALL,
        )
    if admins.by_email(session, ADMIN_EMAIL) is None:
        admins.add(
            session,
            club_id=CLUB_ID,
            name=ADMIN_NAME,
            email=ADMIN_EMAIL,
            phone=ADMIN_PHONE,
            password_hash=hash_password(admin_password),
            now=now,
        )
    _seed_people(session)
    _seed_consent(session, now)
    seed_sites.seed_sites(session, CLUB_ID, ZONE, now)
    everybody = tuple((name, phone) for name, phone, _ in DIVERS) + CONTACTS + ((ADMIN_NAME, ADMIN_PHONE),)
    return Seeded(CLUB_ID, RECEIVING_NUMBER, ADMIN_EMAIL, everybody, tuple(site.code for site in seed_sites.SITES))


def _seed_consent(session: Session, now: datetime) -> None:
    """The usual contacts were asked before the demo begins; whoever else is named is introduced."""
    known = reaches.find(session, CLUB_ID, [phone for _, phone in CONTACTS])
    for _, phone in CONTACTS:
        if phone not in known:
            reaches.decide(session, CLUB_ID, phone, "agreed", now)


def _seed_people(session: Session) -> None:
    known = DIVERS + tuple((name, phone, ()) for name, phone in CONTACTS)
    for name, phone, usual_contacts in known:
        if people.by_phone(session, CLUB_ID, phone) is None:
            people.add(session, club_id=CLUB_ID, name=name, phone=phone, usual_contacts=usual_contacts)
