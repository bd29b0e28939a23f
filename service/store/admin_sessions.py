"""Admins who are signed in, one row for each browser; only the hash of the cookie is kept."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from service.store.tables import AdminRow, AdminSessionRow
from service.store.upsert import touched

HANDLE_LENGTH = 16


@dataclass(frozen=True, slots=True)
class Found:
    """Whose session it is, and its times."""

    admin: AdminRow
    seen_at: datetime
    ends_at: datetime


def add(
    session: Session, *, token_hash: str, admin_id: str, now: datetime, ends_at: datetime, browser: str | None = None
) -> None:
    """A browser on which an admin has just signed in."""
    row = AdminSessionRow
    times = {"created_at": now, "seen_at": now, "ends_at": ends_at}
    session.add(row(token_hash=token_hash, admin_id=admin_id, browser=browser, **times))
    session.flush()


def find(session: Session, token_hash: str) -> Found | None:
    """The session of that cookie, over or not, of an admin who is in office."""
    row = AdminSessionRow
    found = session.execute(
        select(AdminRow, row.seen_at, row.ends_at)
        .join(row, row.admin_id == AdminRow.id)
        .where(row.token_hash == token_hash, AdminRow.disabled_at.is_(None))
    ).first()
    return None if found is None else Found(*found)


def see(session: Session, token_hash: str, now: datetime) -> None:
    """The session was used just now."""
    touched(session, update(AdminSessionRow).where(AdminSessionRow.token_hash == token_hash).values(seen_at=now))


def end(session: Session, token_hash: str) -> bool:
    """This browser is signed in no more; whether it was."""
    return touched(session, delete(AdminSessionRow).where(AdminSessionRow.token_hash == token_hash)) == 1


def end_all(session: Session, admin_id: str, but: str | None = None) -> int:
    """No browser of this admin is signed in any more, but one where it is named by its hash; how many were."""
    row = AdminSessionRow
    return touched(session, delete(row).where(row.admin_id == admin_id, row.token_hash != (but or "")))


def end_by_handle(session: Session, admin_id: str, handle: str) -> bool:
    """End that one of this admin's sessions; whether there was one. A handle is how the hash begins."""
    if len(handle) != HANDLE_LENGTH:
        return False
    row = AdminSessionRow
    named = row.token_hash.startswith(handle, autoescape=True)
    return touched(session, delete(row).where(row.admin_id == admin_id, named)) == 1


def listing(session: Session, admin_id: str) -> list[AdminSessionRow]:
    """The sessions of an admin, the last used first; those that are over may be among them."""
    row = AdminSessionRow
    found = select(row).where(row.admin_id == admin_id).order_by(row.seen_at.desc(), row.token_hash)
    return list(session.execute(found).scalars())


def last_seen(session: Session, club_id: str) -> dict[str, datetime]:
    """When each admin of a club who is signed in somewhere was last there."""
    row = AdminSessionRow
    found = select(row.admin_id, row.seen_at).join(AdminRow, AdminRow.id == row.admin_id)
    seen: dict[str, datetime] = {}
    for admin_id, seen_at in session.execute(found.where(AdminRow.club_id == club_id)):
        seen[admin_id] = max(seen_at, seen.get(admin_id, seen_at))
    return seen


def drop_ended(session: Session, before: datetime) -> None:
    """Forget the sessions that ended before that."""
    session.execute(delete(AdminSessionRow).where(AdminSessionRow.ends_at <= before))
