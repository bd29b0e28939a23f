"""People that a club knows, by their phone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from service.store.ids import new_id
from service.store.tables import PersonRow
from service.store.upsert import insert_rows, touched


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


def listing(session: Session, club_id: str) -> list[PersonRow]:
    """The people of a club by name."""
    found = select(PersonRow).where(PersonRow.club_id == club_id).order_by(PersonRow.name, PersonRow.phone)
    return list(session.execute(found.execution_options(populate_existing=True)).scalars())
