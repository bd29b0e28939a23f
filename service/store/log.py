"""The append-only log: one hash chain per dive, one per club, checkpoints over all. Checked in log_check.

Who appends to the chain of a dive and to that of its club in one transaction appends to the dive's first, so
that two of them cannot wait for each other.
"""

from __future__ import annotations

import json
import secrets
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Row, Select, func, select, update
from sqlalchemy.orm import Session

from service.domain.dive.events import Event
from service.store.chain import GENESIS, checkpoint_hash, entry_hash, salted_hash
from service.store.codec import canonical, load_event, stamp
from service.store.log_check import CHECKPOINTS, not_folded, verify_all, verify_chain, verify_database, verify_dive
from service.store.tables import ChainHeadRow, LogCheckpointRow, LogEntryRow
from service.store.upsert import insert_or_keep, insert_rows, touched

EVENT_PREFIX: Final = "event:"
_BLOCK: Final = 500

__all__ = [
    "EVENT_PREFIX",
    "Entry",
    "append",
    "chain_of",
    "checkpoint",
    "club_chain",
    "counts",
    "dive_chain",
    "entries",
    "erase_details",
    "events",
    "export",
    "hold",
    "not_folded",
    "verify_all",
    "verify_chain",
    "verify_database",
    "verify_dive",
]

Json = dict[str, Any]


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


def dive_chain(dive_id: str) -> str:
    """The name of the chain of a dive."""
    return f"dive:{dive_id}"


def club_chain(club_id: str) -> str:
    """The name of the chain of a club."""
    return f"club:{club_id}"


def chain_of(dive_id: str | None, club_id: str) -> str:
    """The chain for what belongs to a dive, or else to a club."""
    return dive_chain(dive_id) if dive_id else club_chain(club_id)


def append(
    session: Session,
    *,
    chain: str,
    at: datetime,
    kind: str,
    actor: Json,
    detail: Json,
    dive_id: str | None = None,
    club_id: str | None = None,
) -> int:
    """Add an entry and return its sequence number, counted from 1 without gaps within the chain.

    The chain is kept from others until this transaction ends. `actor` and `detail` are plain JSON values.
    """
    head = _locked_head(session, chain)
    seq: int = head.seq + 1
    salt = secrets.token_hex(16)
    written = canonical(actor), canonical(detail)
    hashes = salted_hash(salt, written[0]), salted_hash(salt, written[1])
    this = entry_hash(head.hash, chain=chain, seq=seq, at=at, kind=kind, hashes=hashes)
    row = {
        "chain": chain,
        "seq": seq,
        "dive_id": dive_id,
        "club_id": club_id,
        "at": at,
        "kind": kind,
        "actor": written[0],
        "actor_hash": hashes[0],
        "detail": written[1],
        "detail_hash": hashes[1],
        "salt": salt,
        "prev_hash": head.hash,
        "hash": this,
    }
    insert_rows(session, LogEntryRow, row)
    _move_head(session, chain, seq, this)
    return seq


def hold(session: Session, chain: str) -> None:
    """Keep a chain from others until this transaction ends, as whoever appends to it does."""
    _locked_head(session, chain)


def _move_head(session: Session, chain: str, seq: int, this: str) -> None:
    touched(session, update(ChainHeadRow).where(ChainHeadRow.chain == chain).values(seq=seq, hash=this))


def _locked_head(session: Session, chain: str) -> Row[int, str]:
    statement = select(ChainHeadRow.seq, ChainHeadRow.hash).where(ChainHeadRow.chain == chain).with_for_update()
    head = session.execute(statement).first()
    if head is None:
        new = {"chain": chain, "seq": 0, "hash": GENESIS, "checkpointed_seq": 0}
        insert_or_keep(session, ChainHeadRow, new)
        head = session.execute(statement).one()
    return head


def counts(session: Session, chain: str, kinds: Collection[str]) -> dict[str, int]:
    """How many entries of a chain are of each of these kinds."""
    row = LogEntryRow
    found = select(row.kind, func.count()).where(row.chain == chain, row.kind.in_(kinds)).group_by(row.kind)
    return dict.fromkeys(kinds, 0) | dict(iter(session.execute(found)))


def entries(session: Session, chain: str) -> list[Entry]:
    """All entries of a chain in their order."""
    statement = _selected().where(LogEntryRow.chain == chain).order_by(LogEntryRow.seq)
    return [_entry(row) for row in session.execute(statement)]


def entry(session: Session, chain: str, seq: int) -> Entry | None:
    """One entry of a chain."""
    found = session.execute(_selected().where(LogEntryRow.chain == chain, LogEntryRow.seq == seq)).first()
    return None if found is None else _entry(found)


def mentioning(session: Session, chain: str, word: str) -> list[Entry]:
    """The entries of a chain that have this word in their detail, in their order."""
    row = LogEntryRow
    statement = _selected().where(row.chain == chain, row.detail.contains(word, autoescape=True)).order_by(row.seq)
    return [_entry(found) for found in session.execute(statement)]


def events(session: Session, dive_id: str) -> list[tuple[int, Event]]:
    """The events of a dive with their sequence numbers; those whose detail was erased are missing.

    Raises UnreadableError for one that is not as the heart knows events.
    """
    return [
        (entry.seq, load_event(entry.kind.removeprefix(EVENT_PREFIX), entry.detail))
        for entry in entries(session, dive_chain(dive_id))
        if entry.kind.startswith(EVENT_PREFIX) and entry.detail is not None
    ]


def checkpoint(session: Session, now: datetime) -> None:
    """Hash the heads of all chains that moved since the last checkpoint, and that checkpoint, into a new one.

    A chain that somebody is just appending to is left to the next checkpoint: an alarm never waits for this.
    """
    before = _locked_head(session, CHECKPOINTS)
    moved = session.execute(
        select(ChainHeadRow.chain, ChainHeadRow.seq, ChainHeadRow.hash)
        .where(ChainHeadRow.seq > ChainHeadRow.checkpointed_seq, ChainHeadRow.chain != CHECKPOINTS)
        .order_by(ChainHeadRow.chain)
        .with_for_update(skip_locked=True)
    ).all()
    heads = canonical({chain: [seq, head] for chain, seq, head in moved})
    this = checkpoint_hash(before.hash, at=now, heads=heads)
    row = {"at": now, "heads": heads, "prev_hash": before.hash, "hash": this}
    insert_rows(session, LogCheckpointRow, row)
    _move_head(session, CHECKPOINTS, before.seq + 1, this)
    for chain, seq, _ in moved:
        touched(session, update(ChainHeadRow).where(ChainHeadRow.chain == chain).values(checkpointed_seq=seq))


def erase_details(session: Session, dive_id: str) -> int:
    """Erase who and what from the entries of a dive and leave their hashes; how many were erased."""
    erased = (
        update(LogEntryRow)
        .where(LogEntryRow.chain == dive_chain(dive_id), LogEntryRow.detail.is_not(None))
        .values(actor=None, detail=None, salt=None)
    )
    return touched(session, erased)


def export(
    session: Session,
    *,
    chain: str | None = None,
    club_id: str | None = None,
    since: datetime | None = None,
    until: datetime | None = None,
) -> Iterator[Json]:
    """Entries as plain JSON objects in the order in which they were written; `until` itself is left out."""
    statement = _selected().order_by(LogEntryRow.id).limit(_BLOCK)
    if chain is not None:
        statement = statement.where(LogEntryRow.chain == chain)
    if club_id is not None:
        statement = statement.where(LogEntryRow.club_id == club_id)
    if since is not None:
        statement = statement.where(LogEntryRow.at >= since)
    if until is not None:
        statement = statement.where(LogEntryRow.at < until)
    last = 0
    while True:
        found = session.execute(statement.where(LogEntryRow.id > last)).all()
        yield from map(_exported, found)
        if len(found) < _BLOCK:
            return
        last = found[-1].id


def _exported(row: Row[*tuple[Any, ...]]) -> Json:
    entry = _entry(row)
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


def _selected() -> Select[*tuple[Any, ...]]:
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


def _entry(row: Row[*tuple[Any, ...]]) -> Entry:
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
