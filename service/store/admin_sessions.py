"""Admins who are signed in, one row for each browser; only the hash of the cookie is kept."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from service.store.tables import AdminRow, AdminSessionRow
from service.store.upsert import touched


def add(session: Session, *, token_hash: str, admin_id: str, now: datetime, ends_at: datetime) -> None:
    """A browser on which an admin has just signed in."""
    session.add(AdminSessionRow(token_hash=token_hash, admin_id=admin_id, created_at=now, seen_at=now, ends_at=ends_at))
    session.flush()


def find(session: Session, token_hash: str, now: datetime, seen_after: datetime) -> tuple[AdminRow, datetime] | None:
    """The admin of a session that has neither ended nor been idle since `seen_after`, and when it was last seen."""
    row = AdminSessionRow
    found = session.execute(
        select(AdminRow, row.seen_at)
        .join(row, row.admin_id == AdminRow.id)
        .where(row.token_hash == token_hash, row.ends_at > now, row.seen_at > seen_after)
        .where(AdminRow.disabled_at.is_(None))
    ).first()
    return None if found is None else (found[0], found[1])


def see(session: Session, token_hash: str, now: datetime) -> None:
    """The session was used just now."""
    touched(session, update(AdminSessionRow).where(AdminSessionRow.token_hash == token_hash).values(seen_at=now))


def end(session: Session, token_hash: str) -> None:
    """This browser is signed in no more."""
    session.execute(delete(AdminSessionRow).where(AdminSessionRow.token_hash == token_hash))


def drop_ended(session: Session, now: datetime) -> None:
    """Forget the sessions that are over."""
    session.execute(delete(AdminSessionRow).where(AdminSessionRow.ends_at <= now))
