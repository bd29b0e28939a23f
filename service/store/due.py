"""Which dives are due: claimed by a sweep with all that it needs to decide them, or only looked at."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import bindparam, select
from sqlalchemy.orm import Session

from service.domain.dive.state import Dive
from service.store.codec import UnreadableError, load_dive
from service.store.dives import UnreadableDive
from service.store.tables import DiveRow
from service.store.upsert import table


@dataclass(frozen=True, slots=True)
class Due:
    """A dive whose next moment has come, and which moment that was."""

    dive_id: str
    due_at: datetime


@dataclass(frozen=True, slots=True)
class Claimed(Due):
    """A due dive that this transaction has locked, with its state as it is stored."""

    receiving_number: str
    state: str

    def dive(self) -> Dive:
        """The dive. Raises UnreadableDive."""
        try:
            return load_dive(self.state)
        except UnreadableError as error:
            raise UnreadableDive(self.dive_id) from error


_ROW = table(DiveRow).c
_DUE = (
    select(_ROW.id, _ROW.next_due_at)
    .where(_ROW.next_due_at <= bindparam("now"))
    .order_by(_ROW.next_due_at, _ROW.id)
    .limit(bindparam("most"))
)
_CLAIM = _DUE.add_columns(_ROW.receiving_number, _ROW.state).with_for_update(skip_locked=True, key_share=True)
_CLAIM_OTHERS = _CLAIM.where(_ROW.id.not_in(bindparam("skipped", expanding=True)))


def claim(session: Session, now: datetime, limit: int, skip: frozenset[str] = frozenset()) -> list[Claimed]:
    """The dives that are due, the longest overdue first, locked until this transaction ends.

    Dives that another transaction holds are left out. On SQLite the whole write transaction excludes others.
    """
    statement = _CLAIM_OTHERS if skip else _CLAIM
    found = session.execute(statement, {"now": now, "most": limit, "skipped": sorted(skip)})
    return [Claimed(*values) for values in found]


def listing(session: Session, now: datetime, limit: int) -> list[Due]:
    """What is due, longest first, claimed by nobody: for the log after an outage."""
    return [Due(*values) for values in session.execute(_DUE, {"now": now, "most": limit})]


def held_by_others(session: Session, due_before: datetime, limit: int) -> list[str]:
    """Dives that were due before then and that another transaction holds; the others are held by this one from now on.

    On SQLite there are none: who writes there keeps all others out.
    """
    free = {claimed.dive_id for claimed in claim(session, due_before, limit)}
    return [found.dive_id for found in listing(session, due_before, limit) if found.dive_id not in free]
