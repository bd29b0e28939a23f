"""A list that an admin has uploaded and looks at, until they confirm it, upload another, or half an hour is over."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import delete, select
from sqlalchemy.orm import Session

from service.store.tables import PeopleImportRow
from service.store.upsert import insert_rows, touched


def keep(session: Session, club_id: str, admin_id: str, content: str, now: datetime) -> None:
    """Keep a list for that admin in the place of any that they had."""
    forget(session, admin_id)
    insert_rows(
        session, PeopleImportRow, {"admin_id": admin_id, "club_id": club_id, "content": content, "created_at": now}
    )


def find(session: Session, club_id: str, admin_id: str, since: datetime) -> str | None:
    """The list of that admin, where it was uploaded since that instant."""
    row = PeopleImportRow
    found = select(row.content).where(row.club_id == club_id, row.admin_id == admin_id, row.created_at > since)
    return session.execute(found).scalar_one_or_none()


def forget(session: Session, admin_id: str) -> None:
    """That admin has no list any more."""
    touched(session, delete(PeopleImportRow).where(PeopleImportRow.admin_id == admin_id))


def forget_before(session: Session, before: datetime) -> int:
    """Forget lists that nobody confirmed in time; how many there were."""
    return touched(session, delete(PeopleImportRow).where(PeopleImportRow.created_at <= before))


def forget_all(session: Session, club_id: str) -> None:
    """Forget the lists of a club: somebody in one may be erased just now."""
    touched(session, delete(PeopleImportRow).where(PeopleImportRow.club_id == club_id))
