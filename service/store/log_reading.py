"""Reading the log: entries of a chain as they were written, and taken out for others."""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import partial
from typing import Any, Final

from sqlalchemy import Row, Select, func, select
from sqlalchemy.orm import Session

from service.store.codec import stamp
from service.store.tables import LogEntryRow

_BLOCK: Final = 500

Json = dict[str, Any]
Read = Callable[[Callable[[Session], list[Any]]], list[Any]]
"""Runs a unit of work that reads, in a transaction of its own, as `Service.read` does."""


@dataclass(frozen=True, slots=True)
class Entry:
    """One entry. `actor` and `detail` are None once erased."""

    chain: str
    seq: int
    at: datetime
    kind: str
    actor: Json | None
    detail: Json | None
    dive_id: str | None
    club_id: str | None
    hash: str


def counts(session: Session, chain: str, kinds: Collection[str]) -> dict[str, int]:
    """How many entries of a chain are of each of these kinds."""
    row = LogEntryRow
    found = select(row.kind, func.count()).where(row.chain == chain, row.kind.in_(kinds)).group_by(row.kind)
    return dict.fromkeys(kinds, 0) | dict(iter(session.execute(found)))


def entries(session: Session, chain: str) -> list[Entry]:
    """All entries of a chain in their order."""
    statement = selected().where(LogEntryRow.chain == chain).order_by(LogEntryRow.seq)
    return [entry_of(row) for row in session.execute(statement)]


def entry(session: Session, chain: str, seq: int) -> Entry | None:
    """One entry of a chain."""
    found = session.execute(selected().where(LogEntryRow.chain == chain, LogEntryRow.seq == seq)).first()
    return None if found is None else entry_of(found)


def latest(session: Session, chain: str, kind: str, limit: int) -> list[Entry]:
    """The last entries of one kind in a chain, the latest first."""
    row = LogEntryRow
    found = selected().where(row.chain == chain, row.kind == kind)
    owner, _, club_id = chain.partition(":")
    if owner == "club":  # by the index over club and kind: a club's chain is long
        found = found.where(row.club_id == club_id).order_by(row.at.desc(), row.id.desc())
    return [entry_of(one) for one in session.execute(found.order_by(row.seq.desc()).limit(limit))]


def mentioning(session: Session, chain: str, word: str) -> list[Entry]:
    """The entries of a chain that have this word in their detail, in their order."""
    row = LogEntryRow
    statement = selected().where(row.chain == chain, row.detail.contains(word, autoescape=True)).order_by(row.seq)
    return [entry_of(found) for found in session.execute(statement)]


def export(read: Read, *, chain: str | None = None, club_id: str | None = None) -> Iterator[Json]:
    """Entries as plain JSON objects in the order in which they were written, up to the last that is there at the first.

    Read block by block, each by itself, and nothing is held while whoever asked does something with a block: on SQLite
    nobody commits during a read, and on PostgreSQL one that waits is ended. Of no chain an entry is left out between
    two others: each is written only once the one before it is there for all to see.
    """
    row = LogEntryRow
    [newest] = read(lambda session: [session.execute(select(func.max(row.id))).scalar_one_or_none() or 0])
    statement = selected().where(row.id <= newest).order_by(row.id).limit(_BLOCK)
    if chain is not None:
        statement = statement.where(row.chain == chain)
    if club_id is not None:
        statement = statement.where(row.club_id == club_id)
    last = 0
    while True:
        found = read(partial(_block, statement.where(row.id > last)))
        yield from map(exported, found)
        if len(found) < _BLOCK:
            return
        last = found[-1].id


def _block(statement: Select[*tuple[Any, ...]], session: Session) -> list[Row[*tuple[Any, ...]]]:
    return list(session.execute(statement))


def exported(row: Row[*tuple[Any, ...]]) -> Json:
    """An entry with its hashes, as plain JSON values."""
    entry = entry_of(row)
    return {
        "chain": entry.chain,
        "seq": entry.seq,
        "at": stamp(entry.at),
        "kind": entry.kind,
        "actor": entry.actor,
        "detail": entry.detail,
        "dive_id": entry.dive_id,
        "club_id": entry.club_id,
        "actor_hash": row.actor_hash,
        "detail_hash": row.detail_hash,
        "salt": row.salt,
        "prev_hash": row.prev_hash,
        "hash": entry.hash,
    }


def selected() -> Select[*tuple[Any, ...]]:
    """All that `entry_of` and `exported` need of entries."""
    row = LogEntryRow
    return select(
        row.id,
        row.chain,
        row.seq,
        row.at,
        row.kind,
        row.actor,
        row.detail,
        row.dive_id,
        row.club_id,
        row.hash,
        row.actor_hash,
        row.detail_hash,
        row.salt,
        row.prev_hash,
    )


def entry_of(row: Row[*tuple[Any, ...]]) -> Entry:
    """The entry of a row that was `selected`."""
    return Entry(
        chain=row.chain,
        seq=row.seq,
        at=row.at,
        kind=row.kind,
        actor=None if row.actor is None else json.loads(row.actor),
        detail=None if row.detail is None else json.loads(row.detail),
        dive_id=row.dive_id,
        club_id=row.club_id,
        hash=row.hash,
    )
