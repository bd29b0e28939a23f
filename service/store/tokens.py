"""Bearer tokens of the API; only their hashes are kept."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import select, update
from sqlalchemy.orm import Session

from service.store.ids import new_id
from service.store.tables import ApiTokenRow
from service.store.upsert import touched


def add(session: Session, *, club_id: str, name: str, token_hash: str, now: datetime) -> ApiTokenRow:
    """A new token for the scripts of a club. Raises IntegrityError when the hash is there already."""
    token = ApiTokenRow(id=new_id(), club_id=club_id, name=name, token_hash=token_hash, created_at=now)
    session.add(token)
    session.flush()
    return token


def find(session: Session, token_hash: str) -> ApiTokenRow | None:
    """The token of that hash, unless revoked."""
    row = ApiTokenRow
    found = select(row).where(row.token_hash == token_hash, row.revoked_at.is_(None))
    return session.execute(found.execution_options(populate_existing=True)).scalar_one_or_none()


def revoke(session: Session, token_id: str, now: datetime) -> None:
    """From now on this token opens nothing."""
    row = ApiTokenRow
    touched(session, update(row).where(row.id == token_id, row.revoked_at.is_(None)).values(revoked_at=now))
