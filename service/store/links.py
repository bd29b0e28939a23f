"""Links to the pages of one person for one dive; only the hashes of their tokens are kept."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.store.tables import DiveRow, LinkRow
from service.store.upsert import insert_rows

DEAD_AFTER_CLOSE: Final = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class Link:
    """Whose page it is; `kind` is "dive", "alarm" or "handover"."""

    dive_id: str
    club_id: str
    person_key: str
    kind: str
    created_at: datetime


def add(
    session: Session,
    *,
    token_hash: str,
    dive_id: str,
    club_id: str,
    person_key: str,
    kind: str,
    now: datetime,
) -> None:
    """A new link."""
    add_all(session, {token_hash: Link(dive_id, club_id, person_key, kind, now)})


def add_all(session: Session, new: Mapping[str, Link]) -> None:
    """New links by the hashes of their tokens."""
    rows = [
        {
            "token_hash": token_hash,
            "dive_id": link.dive_id,
            "club_id": link.club_id,
            "person_key": link.person_key,
            "kind": link.kind,
            "created_at": link.created_at,
        }
        for token_hash, link in new.items()
    ]
    insert_rows(session, LinkRow, *rows)


def find(session: Session, token_hash: str, now: datetime) -> Link | None:
    """The link of that hash; None from a day after its dive closed."""
    row = LinkRow
    found = (
        select(row.dive_id, row.club_id, row.person_key, row.kind, row.created_at)
        .join(DiveRow, DiveRow.id == row.dive_id)
        .where(
            row.token_hash == token_hash,
            or_(DiveRow.closed_at.is_(None), DiveRow.closed_at > now - DEAD_AFTER_CLOSE),
        )
    )
    values = session.execute(found).first()
    return None if values is None else Link(*values)
