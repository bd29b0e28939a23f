"""The checkpoints of the log, as people look at them. `log.checkpoint` makes them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import Row, Select, func, select
from sqlalchemy.orm import Session

from service.store.log_reading import Entry, entry_of, selected
from service.store.tables import ChainHeadRow, LogCheckpointRow, LogEntryRow

ENTRIES_LOOKED_AT: Final = 20_000


@dataclass(frozen=True, slots=True)
class Checkpoint:
    """One checkpoint. `number` rises, and may leave numbers out; `prev_hash` is the hash of the one before."""

    number: int
    at: datetime
    prev_hash: str
    hash: str


@dataclass(frozen=True, slots=True)
class Head:
    """The last entry of a chain: its number, 0 for none, and its hash."""

    seq: int
    hash: str


def latest(session: Session, limit: int) -> list[Checkpoint]:
    """The last ones, the newest first."""
    return _read(session, _selected().limit(limit))


def by_hash(session: Session, given: str) -> Checkpoint | None:
    """The checkpoint of that hash."""
    return next(iter(_read(session, _selected().where(LogCheckpointRow.hash == given).limit(1))), None)


def head(session: Session, chain: str) -> Head:
    """Where a chain ends."""
    row = ChainHeadRow
    found = session.execute(select(row.seq, row.hash).where(row.chain == chain)).first()
    return Head(0, "0" * 64) if found is None else Head(*found)


def entry_by_hash(session: Session, chain: str, given: str) -> Entry | None:
    """The entry of a chain with that hash, among the latest so many."""
    row = LogEntryRow
    recent = select(row.seq).where(row.chain == chain).order_by(row.seq.desc()).limit(ENTRIES_LOOKED_AT).subquery()
    least = select(func.min(recent.c.seq)).scalar_subquery()
    found = session.execute(selected().where(row.chain == chain, row.seq >= least, row.hash == given)).first()
    return None if found is None else entry_of(found)


def _selected() -> Select[int, datetime, str, str]:
    row = LogCheckpointRow
    return select(row.id, row.at, row.prev_hash, row.hash).order_by(row.id.desc())


def _read(session: Session, statement: Select[int, datetime, str, str]) -> list[Checkpoint]:
    found: list[Row[int, datetime, str, str]] = list(session.execute(statement))
    return [Checkpoint(*row) for row in found]
