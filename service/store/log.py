"""The append-only log: one hash chain per dive, one per club, checkpoints over all. Checked in log_check.

Who appends to the chain of a dive and to that of its club in one transaction appends to the dive's first, so
that two of them cannot wait for each other.
"""

from __future__ import annotations

import secrets
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import bindparam, select, update
from sqlalchemy.orm import Session

from service.domain.dive.events import Event
from service.store.among import among
from service.store.chain import GENESIS, checkpoint_hash, entry_hash, salted_hash
from service.store.codec import canonical, load_event
from service.store.log_check import (
    CHECKPOINTS,
    count,
    erased_at,
    not_folded,
    verify_all,
    verify_chain,
    verify_database,
    verify_dive,
)
from service.store.log_erased import DETAILS_ERASED
from service.store.log_reading import Entry, counts, entries, entry, export, latest, mentioning
from service.store.tables import ChainHeadRow, ClubRow, LogCheckpointRow, LogEntryRow
from service.store.upsert import insert_and_update_rows, insert_or_keep_rows, insert_rows, table, touched, update_rows

EVENT_PREFIX: Final = "event:"

__all__ = [
    "CHECKPOINTS",
    "DETAILS_ERASED",
    "EVENT_PREFIX",
    "Book",
    "ClubOf",
    "Entry",
    "append",
    "chain_of",
    "checkpoint",
    "club_chain",
    "count",
    "counts",
    "dive_chain",
    "entries",
    "entry",
    "erase_details",
    "erase_entries",
    "erased_at",
    "events",
    "export",
    "hold",
    "latest",
    "mentioning",
    "not_folded",
    "verify_all",
    "verify_chain",
    "verify_database",
    "verify_dive",
]

Json = dict[str, Any]


def dive_chain(dive_id: str) -> str:
    """The name of the chain of a dive."""
    return f"dive:{dive_id}"


def club_chain(club_id: str) -> str:
    """The name of the chain of a club."""
    return f"club:{club_id}"


def chain_of(dive_id: str | None, club_id: str) -> str:
    """The chain for what belongs to a dive, or else to a club."""
    return dive_chain(dive_id) if dive_id else club_chain(club_id)


@dataclass(frozen=True, slots=True)
class ClubOf:
    """A club, as far as it matters for how its texts are kept."""

    id: str
    country: str


class Book:
    """Entries for several chains, numbered and hashed at once and written together by `write`.

    A chain is kept from others from its first entry, or from `hold`, until the transaction ends.
    """

    def __init__(self, session: Session) -> None:
        self._session = session
        self._heads: dict[str, tuple[int, str]] = {}
        self._moved: set[str] = set()
        self._rows: list[dict[str, Any]] = []

    def hold(self, chains: Collection[str]) -> None:
        """Keep chains from others, all of them in one order, so that none waits for another in a ring."""
        wanted = sorted(set(chains) - self._heads.keys())
        found = _locked_heads(self._session, wanted)
        missing = [chain for chain in wanted if chain not in found]
        if missing:
            new = [{"chain": chain, "seq": 0, "hash": GENESIS, "checkpointed_seq": 0} for chain in missing]
            insert_or_keep_rows(self._session, ChainHeadRow, new)
            found |= _locked_heads(self._session, missing)
        self._heads |= found

    def hold_club(self, receiving_number: str) -> ClubOf | None:
        """Keep the chain of the club of that number from others; None where no club has it or its log is empty."""
        found = self._session.execute(_CLUB_HEAD, {"number": receiving_number}).first()
        if found is None:
            return None
        self._heads[found.chain] = found.seq, found.hash
        return ClubOf(found.id, found.country)

    def hold_free(self, chains: Collection[str]) -> set[str]:
        """Keep those of these chains from others that nobody else has; which these are. It waits for nobody."""
        found = self._session.execute(_FREE_HEADS, {"of_chains": sorted(chains)})
        free = {row.chain: (row.seq, row.hash) for row in found}
        self._heads |= free
        return set(free)

    def add(
        self,
        chain: str,
        *,
        at: datetime,
        kind: str,
        actor: str,
        detail: str,
        dive_id: str | None = None,
        club_id: str | None = None,
    ) -> int:
        """Add an entry and return its sequence number, counted from 1 without gaps within the chain.

        `actor` and `detail` are canonical JSON.
        """
        last, prev_hash = self.head(chain)
        seq = last + 1
        salt = secrets.token_hex(16)
        hashes = salted_hash(salt, actor), salted_hash(salt, detail)
        this = entry_hash(prev_hash, chain=chain, seq=seq, at=at, kind=kind, hashes=hashes)
        row = {
            "chain": chain,
            "seq": seq,
            "dive_id": dive_id,
            "club_id": club_id,
            "at": at,
            "kind": kind,
            "actor": actor,
            "actor_hash": hashes[0],
            "detail": detail,
            "detail_hash": hashes[1],
            "salt": salt,
            "prev_hash": prev_hash,
            "hash": this,
        }
        self._rows.append(row)
        self._heads[chain] = seq, this
        self._moved.add(chain)
        return seq

    def head(self, chain: str) -> tuple[int, str]:
        """The number and the hash of the last entry of a chain, and nobody else appends to it."""
        if chain not in self._heads:
            self.hold([chain])
        return self._heads[chain]

    def write(self) -> None:
        """Write what was added."""
        moved = [
            {"of_chain": chain, "seq": self._heads[chain][0], "hash": self._heads[chain][1]}
            for chain in sorted(self._moved)
        ]
        insert_and_update_rows(self._session, (LogEntryRow, self._rows), (ChainHeadRow, _BY_CHAIN, moved))
        self._rows.clear()
        self._moved.clear()


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
    """Add one entry and return its sequence number, counted from 1 without gaps within the chain.

    The chain is kept from others until this transaction ends. `actor` and `detail` are plain JSON values.
    """
    book = Book(session)
    seq = book.add(
        chain,
        at=at,
        kind=kind,
        actor=canonical(actor),
        detail=canonical(detail),
        dive_id=dive_id,
        club_id=club_id,
    )
    book.write()
    return seq


def hold(session: Session, chain: str) -> None:
    """Keep a chain from others until this transaction ends, as whoever appends to it does."""
    Book(session).hold([chain])


_HEAD = table(ChainHeadRow).c
_HEADS = select(_HEAD.chain, _HEAD.seq, _HEAD.hash).with_for_update()
_ONE_HEAD = _HEADS.where(_HEAD.chain == bindparam("of_chain"))
_THESE_HEADS = _HEADS.where(among(_HEAD.chain, "of_chains")).order_by(_HEAD.chain)
_FREE_HEADS = (
    select(_HEAD.chain, _HEAD.seq, _HEAD.hash)
    .where(among(_HEAD.chain, "of_chains"))
    .order_by(_HEAD.chain)
    .with_for_update(skip_locked=True)
)
_CLUB = table(ClubRow).c
_CLUB_HEAD = (
    select(_HEAD.chain, _HEAD.seq, _HEAD.hash, _CLUB.id, _CLUB.country)
    .join_from(table(ClubRow), table(ChainHeadRow), _HEAD.chain == club_chain("") + _CLUB.id)
    .where(_CLUB.receiving_number == bindparam("number"))
    .with_for_update(of=table(ChainHeadRow))
)
_BY_CHAIN: Final = {"chain": "of_chain"}


def _locked_heads(session: Session, chains: Sequence[str]) -> dict[str, tuple[int, str]]:
    if len(chains) == 1:
        found = session.execute(_ONE_HEAD, {"of_chain": chains[0]})
    else:
        found = session.execute(_THESE_HEADS, {"of_chains": chains})
    return {row.chain: (row.seq, row.hash) for row in found}


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
    before_seq, before_hash = Book(session).head(CHECKPOINTS)
    moved = session.execute(
        select(ChainHeadRow.chain, ChainHeadRow.seq, ChainHeadRow.hash)
        .where(ChainHeadRow.seq > ChainHeadRow.checkpointed_seq, ChainHeadRow.chain != CHECKPOINTS)
        .order_by(ChainHeadRow.chain)
        .with_for_update(skip_locked=True)
    ).all()
    heads = canonical({chain: [seq, head] for chain, seq, head in moved})
    this = checkpoint_hash(before_hash, at=now, heads=heads)
    row = {"at": now, "heads": heads, "prev_hash": before_hash, "hash": this}
    insert_rows(session, LogCheckpointRow, row)
    update_rows(session, ChainHeadRow, _BY_CHAIN, [{"of_chain": CHECKPOINTS, "seq": before_seq + 1, "hash": this}])
    seen = [{"of_chain": chain, "checkpointed_seq": seq} for chain, seq, _ in moved]
    update_rows(session, ChainHeadRow, _BY_CHAIN, seen)


def erase_details(session: Session, dive_id: str) -> int:
    """Erase who and what from the entries of a dive and leave their hashes; how many were erased."""
    erased = (
        update(LogEntryRow)
        .where(LogEntryRow.chain == dive_chain(dive_id), LogEntryRow.detail.is_not(None))
        .values(actor=None, detail=None, salt=None)
    )
    return touched(session, erased)


def erase_entries(session: Session, ids: Collection[int]) -> int:
    """The same of single entries, by the numbers of their rows."""
    erased = update(LogEntryRow).where(LogEntryRow.id.in_(ids), LogEntryRow.detail.is_not(None))
    return touched(session, erased.values(actor=None, detail=None, salt=None)) if ids else 0
