"""Somebody whom the club knows, changed by an admin: nothing that was changed meanwhile is lost unseen.

Where somebody gets a new number, whoever counts on them as a contact counts on that from now on: else an alarm would go
to a number that they have no more. A dive that is filed keeps the number that it was filed with, so that is said.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.operations import desk_log
from service.operations.own_numbers import texted_to
from service.operations.people import PHONE_TAKEN, PersonRead, PersonTyped, club_of, mark_of_person, read_person
from service.operations.people_merging import folded, with_phone
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import clubs, dives, people
from service.store.tables import ClubRow, PersonRow


@dataclass(frozen=True, slots=True)
class PersonStale:
    """Somebody has changed them after the form was made, so nothing was done."""


@dataclass(frozen=True, slots=True)
class PersonChanged:
    """It is done; what follows is of a new number alone.

    `followed`: who counts on it now. `elsewhere`: who has the old number under another name, and under which.
    `open_dives`: references of those that keep the old number.
    """

    followed: tuple[str, ...] = ()
    elsewhere: tuple[tuple[str, str], ...] = ()
    open_dives: tuple[str, ...] = ()


def change_person(
    service: Service, admin: SignedIn, person_id: str, typed: PersonTyped, made_from: str
) -> PersonChanged | PersonRead | PersonStale:
    """Change somebody, or say what is to be mended. Raises LookupError for no such person.

    `made_from` is the mark of the person as the form had them. Another phone is not proved by what the one before was.
    """

    def work(session: Session) -> PersonChanged | PersonRead | PersonStale:
        club = club_of(session, admin)
        clubs.hold(session, club.id)  # of two admins who save at once the second sees what the first did
        row = people.get(session, club.id, person_id)
        if row is None:
            raise LookupError(f"no person {person_id}")
        read = read_person(club, typed, texted_to(session, service.own_numbers))
        other = people.by_phone(session, club.id, read.phone)
        if other is not None and other.id != person_id:
            read.wrong.setdefault("phone", PHONE_TAKEN)
        if read.wrong:
            return read
        if mark_of_person(row) != made_from:
            return PersonStale()
        return _changed(service, session, admin, club, row, read)

    try:
        return service.write(work)
    except IntegrityError:
        return PersonRead("", {}, {"phone": PHONE_TAKEN})


def _changed(
    service: Service, session: Session, admin: SignedIn, club: ClubRow, row: PersonRow, read: PersonRead
) -> PersonChanged:
    values = read.values | {"phone": read.phone}
    changed = sorted(name for name, value in values.items() if getattr(row, name) != value)
    person_id, before, names = row.id, row.phone, {folded(row.name), folded(str(values["name"]))}
    if "phone" in changed:
        values |= {"verified_at": None}
    if changed:
        people.change(session, club.id, person_id, values)
        desk_log.note(service, session, admin, "person_changed", {"person": person_id, "fields": changed})
    if "phone" not in changed:
        return PersonChanged()
    followed, elsewhere = _follow(service, session, admin, before, read.phone, names)
    found = dives.for_phone(session, club.receiving_number, before, service.clock.now())
    return PersonChanged(followed, elsewhere, tuple(match.reference for match in found))


def _follow(
    service: Service, session: Session, admin: SignedIn, before: str, phone: str, names: set[str]
) -> tuple[tuple[str, ...], tuple[tuple[str, str], ...]]:
    """Who counts on somebody of that name at the number of before counts on the new one; the others are named.

    Under another name it may be somebody else's who shared the phone.
    """
    followed, elsewhere = [], []
    for row in people.listing(session, admin.club_id):
        kept = next((one for one in row.usual_contacts if one["phone"] == before), None)
        if kept is None:
            continue
        if folded(kept["name"]) not in names:
            elsewhere.append((row.name, kept["name"]))
            continue
        contacts: list[dict[str, Any]] = with_phone(row.usual_contacts, before, phone, row.phone)
        people.change(session, admin.club_id, row.id, {"usual_contacts": contacts})
        fields = {"person": row.id, "fields": ["usual_contacts"]}
        desk_log.note(service, session, admin, "person_changed", fields)
        followed.append(row.name)
    return tuple(followed), tuple(elsewhere)
