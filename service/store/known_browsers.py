"""Browsers on which an admin has signed in before; only the hashes of their cookies are kept."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import delete, select, update
from sqlalchemy.orm import Session

from service.store.tables import KnownBrowserRow
from service.store.tries import taken
from service.store.upsert import touched


def add(session: Session, *, token_hash: str, admin_id: str, now: datetime, ends_at: datetime) -> None:
    """A browser on which an admin has just signed in; those not used for too long are forgotten."""
    session.execute(delete(KnownBrowserRow).where(KnownBrowserRow.ends_at <= now))
    session.add(KnownBrowserRow(token_hash=token_hash, admin_id=admin_id, ends_at=ends_at, tries=0))
    session.flush()


def find(session: Session, token_hash: str, admin_id: str, now: datetime) -> KnownBrowserRow | None:
    """The browser of that cookie, where it is one of this admin."""
    row = KnownBrowserRow
    found = select(row).where(row.token_hash == token_hash, row.admin_id == admin_id, row.ends_at > now)
    return session.execute(found.execution_options(populate_existing=True)).scalar_one_or_none()


def take_try(session: Session, token_hash: str, now: datetime, most: int) -> bool:
    """Count one more try on it; False, and not counted, when that is too many."""
    row = KnownBrowserRow
    return taken(session, row, row.token_hash == token_hash, now, most)


def renew(session: Session, token_hash: str, ends_at: datetime) -> None:
    """It was signed in on again: its tries are forgotten, and it stays known for longer."""
    row = KnownBrowserRow
    renewed = update(row).where(row.token_hash == token_hash)
    touched(session, renewed.values(ends_at=ends_at, tries=0, tries_since_at=None))


def forget_all(session: Session, admin_id: str, but: str | None = None) -> None:
    """No browser of this admin is known any more, but one where it is named by its hash."""
    row = KnownBrowserRow
    session.execute(delete(row).where(row.admin_id == admin_id, row.token_hash != (but or "")))
