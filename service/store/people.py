"""People that a club knows, by their phone."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import Any, Final

from sqlalchemy import Text, cast, delete, exists, select, update
from sqlalchemy.orm import Session

from service.store.ids import new_id
from service.store.tables import PersonRow
from service.store.upsert import insert_rows, touched, update_rows

_OF_CLUB: Final = {"id": "of_person", "club_id": "of_club"}


def add(
    session: Session,
    *,
    club_id: str,
    name: str,
    phone: str,
    usual_contacts: tuple[tuple[str, str], ...] = (),
) -> PersonRow:
    """A new person. `usual_contacts` are (name, phone), first to last, for plans that are filed by text.

    Raises IntegrityError when the club knows that phone already.
    """
    contacts = [{"name": contact, "phone": number} for contact, number in usual_contacts]
    return keep(session, club_id, phone, {"name": name, "usual_contacts": contacts})


def keep(session: Session, club_id: str, phone: str, values: dict[str, Any]) -> PersonRow:
    """A new person with all that is known. Raises IntegrityError when the club knows that phone already."""
    person = PersonRow(id=new_id(), club_id=club_id, phone=phone, **{"usual_contacts": [], **values})
    session.add(person)
    session.flush()
    return person


def keep_all(session: Session, club_id: str, found: Sequence[tuple[str, dict[str, Any]]]) -> None:
    """New people by phone, with all that is known, at once. Raises IntegrityError when one is known already."""
    rows = ({"id": new_id(), "club_id": club_id, "phone": phone, **values} for phone, values in found)
    insert_rows(session, PersonRow, *rows)


def change(session: Session, club_id: str, person_id: str, values: dict[str, Any]) -> bool:
    """Write these of a person's columns; False where the club has no such person.

    Raises IntegrityError for the phone of another person of the club.
    """
    row = PersonRow
    return touched(session, update(row).where(row.club_id == club_id, row.id == person_id).values(**values)) > 0


def change_all(session: Session, club_id: str, changes: Sequence[tuple[str, dict[str, Any]]]) -> int:
    """Write these columns of these people of the club at once; how many were there."""
    alike: dict[tuple[str, ...], list[dict[str, Any]]] = defaultdict(list)
    for person_id, values in changes:
        alike[tuple(values)].append({"of_person": person_id, "of_club": club_id, **values})
    return sum(update_rows(session, PersonRow, _OF_CLUB, some) for some in alike.values())


def remove(session: Session, club_id: str, person_id: str) -> bool:
    """The club knows that person no more; False where it did not."""
    row = PersonRow
    return touched(session, delete(row).where(row.club_id == club_id, row.id == person_id)) > 0


def get(session: Session, club_id: str, person_id: str) -> PersonRow | None:
    """The person of that id, where it is one of the club."""
    found = select(PersonRow).where(PersonRow.club_id == club_id, PersonRow.id == person_id)
    return session.execute(found.execution_options(populate_existing=True)).scalar_one_or_none()


def by_phone(session: Session, club_id: str, phone: str) -> PersonRow | None:
    """The person of that club with that phone."""
    found = select(PersonRow).where(PersonRow.club_id == club_id, PersonRow.phone == phone)
    return session.execute(found.execution_options(populate_existing=True)).scalar_one_or_none()


def is_usual_contact(session: Session, club_id: str, phone: str) -> bool:
    """Whether somebody of the club has that phone (E.164) as a contact; thousands of people are not made for it."""
    row = PersonRow
    names_it = cast(row.usual_contacts, Text).contains(f'"{phone}"', autoescape=True)
    return bool(session.execute(select(exists().where(row.club_id == club_id, names_it))).scalar_one())


def listing(session: Session, club_id: str) -> list[PersonRow]:
    """The people of a club by name."""
    found = select(PersonRow).where(PersonRow.club_id == club_id).order_by(PersonRow.name, PersonRow.phone)
    return list(session.execute(found.execution_options(populate_existing=True)).scalars())
