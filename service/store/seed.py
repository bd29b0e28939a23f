"""The invented club of the demo: its sites lie in mid-ocean, so that no real place is meant.

All phone numbers are from the range that Ofcom keeps for drama, +447700900000 to +447700900999:
https://www.ofcom.org.uk/phones-and-broadband/phone-numbers/numbers-for-drama
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

import argon2
from sqlalchemy.orm import Session

from service.store import admins, clubs, people, sites
from service.store.sites import NewPoint

CLUB_ID: Final = "skerry-bay"
CLUB_NAME: Final = "Skerry Bay Divers"
ZONE: Final = "Europe/London"
RECEIVING_NUMBER: Final = "+447700900500"
RESCUE_CALL: Final = "07700 900999 (practice rescue desk)"
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
class _Site:
    code: str
    name: str
    aliases: tuple[str, ...]
    lat: float
    lon: float
    access: str
    notes: str
    points: tuple[NewPoint, ...]


SITES: Final = (
    _Site(
        code="LANTERN",
        name="Lantern Cove",
        aliases=("the cove", "lantern"),
        lat=47.12345,
        lon=-20.54321,
        access="Path from the car park, 8 minutes on foot; steps at the end.",
        notes="Swell runs in from the west. At low water the west steps end above the sand.",
        points=(
            NewPoint("entry", "East beach", 47.12345, -20.54321),
            NewPoint("exit", "East beach", 47.12345, -20.54321),
            NewPoint("exit", "West steps", 47.12301, -20.54610),
            NewPoint("exit", "Boat shed", 47.12402, -20.53988, "A ladder; not at low water."),
            NewPoint("vehicle_access", "Shed track", 47.12450, -20.53920, "Wide enough for an ambulance."),
            NewPoint("parking", "Cove car park", 47.12610, -20.54150),
            NewPoint("meeting", "Notice board", 47.12600, -20.54170),
            NewPoint("hazard", "Outfall pipe", 47.12280, -20.54500, "Outflow after rain."),
        ),
    ),
    _Site(
        code="SLIP",
        name="North Slip",
        aliases=("slip", "the slipway"),
        lat=47.14120,
        lon=-20.56015,
        access="Slipway beside the road; vehicles to the water's edge.",
        notes="Boats launch here. Tow a buoy.",
        points=(
            NewPoint("entry", "Slipway", 47.14120, -20.56015),
            NewPoint("exit", "Slipway", 47.14120, -20.56015),
            NewPoint("exit", "Shingle bank", 47.14185, -20.56230),
            NewPoint("vehicle_access", "Slipway", 47.14118, -20.56001),
            NewPoint("parking", "Slip lay-by", 47.14090, -20.55930),
            NewPoint("hazard", "Boat lane", 47.14170, -20.56010),
        ),
    ),
    _Site(
        code="KELP",
        name="Kelp Garden",
        aliases=("the garden", "kelp"),
        lat=47.10873,
        lon=-20.51240,
        access="Gate and field, 15 minutes on foot; key at the notice board.",
        notes="Clear water, long swim back. No phone signal on the beach; it returns at the gate.",
        points=(
            NewPoint("entry", "Stone beach", 47.10873, -20.51240),
            NewPoint("exit", "Stone beach", 47.10873, -20.51240),
            NewPoint("exit", "Gully", 47.10820, -20.51477),
            NewPoint("exit", "Sand spit", 47.10931, -20.50902),
            NewPoint("vehicle_access", "Field gate", 47.11120, -20.51020, "The field is soft after rain."),
            NewPoint("parking", "Lane end", 47.11205, -20.50950),
        ),
    ),
)


@dataclass(frozen=True, slots=True)
class Seeded:
    """What the demo club is made of, for scripts and pages: names, phones and codes."""

    club_id: str
    receiving_number: str
    admin_email: str
    people: tuple[tuple[str, str], ...]
    sites: tuple[str, ...]


def hash_password(password: str) -> str:
    """What is stored of a password: Argon2id with the low-memory parameters of RFC 9106 section 4."""
    return argon2.PasswordHasher().hash(password)


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
    _seed_sites(session)
    everybody = tuple((name, phone) for name, phone, _ in DIVERS) + CONTACTS + ((ADMIN_NAME, ADMIN_PHONE),)
    return Seeded(CLUB_ID, RECEIVING_NUMBER, ADMIN_EMAIL, everybody, tuple(site.code for site in SITES))


def _seed_people(session: Session) -> None:
    known = DIVERS + tuple((name, phone, ()) for name, phone in CONTACTS)
    for name, phone, usual_contacts in known:
        if people.by_phone(session, CLUB_ID, phone) is None:
            people.add(session, club_id=CLUB_ID, name=name, phone=phone, usual_contacts=usual_contacts)


def _seed_sites(session: Session) -> None:
    for site in SITES:
        if sites.find(session, CLUB_ID, site.code) is None:
            sites.add(
                session,
                club_id=CLUB_ID,
                code=site.code,
                name=site.name,
                aliases=site.aliases,
                zone=ZONE,
                lat=site.lat,
                lon=site.lon,
                rescue_call=RESCUE_CALL,
                access=site.access,
                notes=site.notes,
                points=site.points,
            )
