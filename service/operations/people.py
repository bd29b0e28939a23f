"""The people of a club: found, looked at, added, changed and removed by its admins.

Nothing here touches a dive: a plan that is filed keeps the contacts that it was filed with.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.domain.language import is_language
from service.domain.people import Channel
from service.domain.phone import PhoneError, probably_landline, read_phone
from service.domain.plan import CONTACTS_MAX, NAME_MAX, WORDS_MAX, Contact
from service.domain.standing import WORDS, Standing
from service.operations import desk_log
from service.operations.contact_reading import (
    NamedPhone,
    club_language,
    read_email,
    read_language,
    read_persons_phone,
    read_ways,
    usual_contact,
)
from service.operations.own_numbers import texted_to
from service.operations.proof_of_reach import contacts_known
from service.operations.service import Service
from service.operations.setting_changes import mark_of
from service.operations.signing_in import SignedIn
from service.store import clubs, people
from service.store.tables import ClubRow, PersonRow

PEOPLE_MAX = 5_000  # in one club: a list that no club has, so that nothing can fill the database

LISTED_MAX = 300  # on one page

PHONE_TAKEN = "Another person of the club has this phone. Open them and change them, or merge the two."


@dataclass(frozen=True, slots=True)
class PersonTyped:
    """A person as typed, by an admin, by themselves, or in a file."""

    name: str
    phone: str
    language: str = ""
    notes: str = ""
    contacts: tuple[NamedPhone, ...] = ()


@dataclass(frozen=True, slots=True)
class PersonRead:
    """What goes into the row of a person; or, by field, what is to be mended."""

    phone: str
    values: dict[str, Any]
    wrong: dict[str, str]


@dataclass(frozen=True, slots=True)
class UsualContact:
    """A usual contact of somebody, and how far they can be relied upon."""

    name: str
    phone: str
    language: str | None
    email: str | None
    ways: tuple[str, ...]
    standing: Standing
    known_at: datetime | None
    asked_at: datetime | None
    is_landline: bool

    @property
    def words(self) -> str:
        """The standing in plain words."""
        return "not asked yet" if self.is_new else WORDS[self.standing]

    @property
    def is_new(self) -> bool:
        """Whether nothing was ever said between them and us."""
        return self.standing is Standing.NEVER_ANSWERED and self.asked_at is None


@dataclass(frozen=True, slots=True)
class Person:
    """Somebody the club knows. `named_by`: those who count on them as a usual contact, by id and name.

    `mark` is the same as long as nobody changes them.
    """

    id: str
    name: str
    phone: str
    language: str | None
    notes: str | None
    joined: str | None
    added_at: datetime | None
    verified_at: datetime | None
    consent_at: datetime | None
    contacts: tuple[UsualContact, ...]
    standing: Standing
    reached_at: datetime | None
    named_by: tuple[tuple[str, str], ...]
    mark: str

    @property
    def standing_words(self) -> str:
        """Their own standing as a contact, in plain words; empty for who is no contact and said nothing."""
        told = self.named_by or self.standing is not Standing.NEVER_ANSWERED
        return WORDS[self.standing] if told else ""


def read_person(club: ClubRow, typed: PersonTyped, ours: Collection[str]) -> PersonRead:
    """Read what was typed; every field that cannot be taken has its own words.

    `ours` are the numbers on which texts to clubs come in, which are nobody's phone.
    """
    wrong: dict[str, str] = {}
    name, notes = " ".join(typed.name.split()), typed.notes.strip()
    phone, language = "", typed.language.strip().lower()
    if not name:
        wrong["name"] = "Give a name; contacts and rescuers ask for it."
    elif len(name) > NAME_MAX:
        wrong["name"] = f"Keep the name to {NAME_MAX} characters."
    if len(notes) > WORDS_MAX:
        wrong["notes"] = f"Keep the notes to {WORDS_MAX} characters."
    if language and not is_language(language):
        wrong["language"] = _said(lambda: read_language(language, club_language(club)))
    try:
        phone = read_persons_phone(typed.phone, club, ours)
    except PhoneError as error:
        wrong["phone"] = str(error)
    contacts: list[dict[str, Any]] = []
    for place, one in enumerate(typed.contacts):
        if not _is_typed(one):
            continue
        try:
            contacts.append(_contact(club, one, ours))
        except ValueError as error:
            wrong[f"contact_{place + 1}"] = f"Contact {place + 1}: {error}"
    if about := _about_all(phone, contacts):
        wrong.setdefault("contact_1", about)
    values = {"name": name, "language": language or None, "notes": notes or None, "usual_contacts": contacts}
    return PersonRead(phone, values, wrong)


def _said(read: Any) -> str:
    try:
        read()
    except ValueError as error:
        return str(error)
    return ""


def _is_typed(contact: NamedPhone) -> bool:
    return any((contact.name.strip(), (contact.phone or "").strip(), (contact.email or "").strip()))


def _contact(club: ClubRow, typed: NamedPhone, ours: Collection[str]) -> dict[str, Any]:
    """A contact as it is kept. Raises ValueError with what to mend."""
    name = " ".join(typed.name.split())
    if not name:
        raise ValueError("give a name, so that the others know who is meant.")
    if len(name) > NAME_MAX:
        raise ValueError(f"keep the name to {NAME_MAX} characters.")
    kept: dict[str, Any] = {"name": name, "phone": read_persons_phone(typed.phone or "", club, ours)}
    email = read_email(typed.email)
    if email is not None:
        kept["email"] = email
    if (typed.language or "").strip():
        kept["language"] = read_language(typed.language, club_language(club))
    if ways := read_ways(typed.ways, email):
        kept["ways"] = [str(way) for way in ways]
    return kept


def _about_all(phone: str, contacts: Sequence[dict[str, Any]]) -> str | None:
    phones = [one["phone"] for one in contacts]
    if len(contacts) > CONTACTS_MAX:
        return f"Name at most {CONTACTS_MAX} contacts."
    if len(set(phones)) < len(phones):
        return "Two contacts have the same number. Give each number once."
    if phone and phone in phones:
        return "A diver cannot be their own contact. Name somebody who stays ashore."
    return None


def listing(service: Service, club_id: str, search: str = "") -> tuple[tuple[Person, ...], int]:
    """The people of a club, by name, and how many more there are; with `search` those whose name or phone has it.

    At most LISTED_MAX: what is known of each of their contacts is looked up. Nobody where there is no club.
    """

    def work(session: Session) -> tuple[tuple[Person, ...], int]:
        club = clubs.get(session, club_id)
        if club is None:
            return (), 0
        everybody = people.listing(session, club_id)
        found = [row for row in everybody if _matches(club, row, search)]
        shown = _persons(session, club, found[:LISTED_MAX], everybody, service.clock.now())
        return tuple(shown), len(found) - len(shown)

    return service.read(work)


def names(service: Service, club_id: str) -> tuple[tuple[str, str, str], ...]:
    """Id, name and phone of everybody in a club, by name."""
    rows = service.read(lambda session: people.listing(session, club_id))
    return tuple((row.id, row.name, row.phone) for row in rows)


def _matches(club: ClubRow, row: PersonRow, search: str) -> bool:
    """Whether a name has the words, or the phone or a contact's phone the digits, written here or abroad."""
    words = " ".join(search.split()).casefold()
    digits = "".join(sign for sign in words if sign.isdigit())
    if not words:
        return True
    phones = [row.phone, *(one["phone"] for one in row.usual_contacts)]
    if digits and not any(sign.isalpha() for sign in words):
        try:
            return read_phone(words, club.country) in phones
        except PhoneError:
            return any(digits.lstrip("0") in phone for phone in phones)
    names = [row.name, *(one["name"] for one in row.usual_contacts)]
    return any(words in name.casefold() for name in names)


def one(service: Service, club_id: str, person_id: str) -> Person | None:
    """One person of a club."""

    def work(session: Session) -> Person | None:
        club, row = clubs.get(session, club_id), people.get(session, club_id, person_id)
        if club is None or row is None:
            return None
        return _persons(session, club, [row], people.listing(session, club_id), service.clock.now())[0]

    return service.read(work)


def _persons(
    session: Session, club: ClubRow, rows: Sequence[PersonRow], everybody: Sequence[PersonRow], now: datetime
) -> list[Person]:
    """Every phone is looked up once, however many name it."""
    asked: dict[tuple[str, tuple[Channel, ...]], Contact] = {}
    for row in rows:
        for contact in (Contact(row.name, row.phone), *map(_as_contact, row.usual_contacts)):
            asked[contact.phone, contact.channels] = contact
    known = dict(zip(asked, contacts_known(session, club, list(asked.values()), now), strict=True))
    named: dict[str, list[tuple[str, str]]] = {}
    for row in everybody:
        for kept in row.usual_contacts:
            named.setdefault(kept["phone"], []).append((row.id, row.name))
    found = []
    for row in rows:
        own = known[row.phone, (Channel.TEXT,)]
        contacts = tuple(
            UsualContact(
                kept["name"],
                kept["phone"],
                kept.get("language"),
                kept.get("email"),
                tuple(kept.get("ways") or ()),
                (seen := known[kept["phone"], _as_contact(kept).channels]).standing,
                seen.reach.known_at,
                seen.reach.asked_at,
                probably_landline(kept["phone"]),
            )
            for kept in row.usual_contacts
        )
        reached_at = max((at for at in (own.reach.known_at, row.verified_at) if at), default=None)
        by = tuple(named.get(row.phone, ()))
        found.append(
            Person(
                row.id,
                row.name,
                row.phone,
                row.language,
                row.notes,
                row.joined,
                row.added_at,
                row.verified_at,
                row.consent_at,
                contacts,
                own.standing,
                reached_at,
                by,
                mark_of_person(row),
            )
        )
    return found


def mark_of_person(row: PersonRow) -> str:
    """What tells one state of somebody from another."""
    return mark_of({name: getattr(row, name) for name in ("name", "phone", "language", "notes", "usual_contacts")})


def _as_contact(kept: dict[str, Any]) -> Contact:
    """A usual contact as a plan would name them: a landline takes no texts."""
    given = usual_contact(kept)
    ways = tuple(Channel(way) for way in given.ways)
    if not ways:
        ways = (Channel.CALL,) if probably_landline(given.phone or "") else (Channel.TEXT,)
    return Contact(given.name, given.phone or "", channels=ways)


# Changes, each with its entry in the club's log: ids only, so that nothing of it has to be erased later


def add_person(service: Service, admin: SignedIn, typed: PersonTyped) -> str | PersonRead:
    """Have the club know somebody; their id, or what is to be mended. Raises LookupError for no such club."""

    def work(session: Session) -> str | PersonRead:
        club = club_of(session, admin)
        read = read_person(club, typed, texted_to(session, service.own_numbers))
        if people.by_phone(session, club.id, read.phone) is not None:
            read.wrong.setdefault("phone", PHONE_TAKEN)
        if len(people.listing(session, club.id)) >= PEOPLE_MAX:
            read.wrong.setdefault("name", f"A club keeps at most {PEOPLE_MAX} people. Remove some first.")
        if read.wrong:
            return read
        values = read.values | {"joined": "desk", "added_at": service.clock.now()}
        row = people.keep(session, club.id, read.phone, values)
        desk_log.note(service, session, admin, "person_added", {"person": row.id})
        return row.id

    try:
        return service.write(work)
    except IntegrityError:
        return PersonRead("", {}, {"phone": PHONE_TAKEN})


def remove_person(service: Service, admin: SignedIn, person_id: str) -> bool:
    """The club knows them no more: nothing can be filed or started from that phone alone. False for no such person.

    What happened stays in the log; erasing that is `erasing.erase_person`.
    """

    def work(session: Session) -> bool:
        if not people.remove(session, admin.club_id, person_id):
            return False
        desk_log.note(service, session, admin, "person_removed", {"person": person_id})
        return True

    return service.write(work)


def note_consent(service: Service, admin: SignedIn, person_id: str, *, given: bool) -> bool:
    """They agreed, today, that the club keeps this of them, or took it back. False for no such person."""

    def work(session: Session) -> bool:
        at = service.clock.now() if given else None
        if not people.change(session, admin.club_id, person_id, {"consent_at": at}):
            return False
        desk_log.note(service, session, admin, "person_consent", {"person": person_id, "given": given})
        return True

    return service.write(work)


def club_of(session: Session, admin: SignedIn) -> ClubRow:
    """The club of an admin. Raises LookupError for no such club."""
    club = clubs.get(session, admin.club_id)
    if club is None:
        raise LookupError(f"no club {admin.club_id}")
    return club
