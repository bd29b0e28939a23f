"""The keys under which scripts did deeds to dives. Whoever looks or adds has locked the dive."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.tables import DeedKeyRow
from service.store.upsert import insert_rows


@dataclass(frozen=True, slots=True)
class Asked:
    """What a script asked for: the deed, by its name in the API, and a hash of the whole of it."""

    deed: str
    digest: str


def find(session: Session, dive_id: str, key: str) -> Asked | None:
    """What was done to the dive under that key; None where nothing was."""
    row = DeedKeyRow
    found = session.execute(select(row.deed, row.asked).where(row.dive_id == dive_id, row.key == key)).first()
    return None if found is None else Asked(found.deed, found.asked)


def add(session: Session, dive_id: str, key: str, asked: Asked, now: datetime) -> None:
    """Keep under which key it was done."""
    values = {"dive_id": dive_id, "key": key, "deed": asked.deed, "asked": asked.digest, "done_at": now}
    insert_rows(session, DeedKeyRow, values)
