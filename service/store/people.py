"""People that a club knows, by their phone."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.ids import new_id
from service.store.tables import PersonRow


def add(
    session: Session, *, club_id: str, name: str, phone: str, usual_contacts: tuple[tuple[str, str], ...] = ()
) -> PersonRow:
    """A new person. `usual_contacts` are (name, phone), first to last, for plans that are filed by text.

    Raises IntegrityError when the club knows that phone already.
    """
    contacts = [{"name": contact, "phone": number} for contact, number in usual_contacts]
    person = PersonRow(id=new_id(), club_id=club_id, name=name, phone=phone, usual_contacts=contacts)
    session.add(person)
    session.flush()
    return person


def by_phone(session: Session, club_id: str, phone: str) -> PersonRow | None:
    """The person of that club with that phone."""
    found = select(PersonRow).where(PersonRow.club_id == club_id, PersonRow.phone == phone)
    return session.execute(found).scalar_one_or_none()


def listing(session: Session, club_id: str) -> list[PersonRow]:
    """The people of a club by name."""
    found = select(PersonRow).where(PersonRow.club_id == club_id).order_by(PersonRow.name, PersonRow.phone)
    return list(session.execute(found).scalars())
