"""The append-only log: entries, the head of each chain, and the checkpoints over the heads.

Triggers in the schema refuse DELETE on entries and checkpoints, and UPDATE but for the erasure of an entry's
personal detail.
"""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Number

# A page of the log of one club, the newest first, of all kinds or of some: each is read off an index.
_SEARCHED = (
    Index("ix_log_entries_club_id_at_id", "club_id", "at", "id"),
    Index("ix_log_entries_club_id_kind_at_id", "club_id", "kind", "at", "id"),
)


class LogEntryRow(Base):
    """One entry. `actor`, `detail` and `salt` are null once erased; their hashes stay.

    It has no foreign keys: the log outlives what it speaks of.
    """

    __tablename__ = "log_entries"
    __table_args__ = (UniqueConstraint("chain", "seq"), Index("ix_log_entries_at", "at"), *_SEARCHED)

    id: Mapped[Number]
    chain: Mapped[str]
    seq: Mapped[int]
    dive_id: Mapped[str | None]
    club_id: Mapped[str | None]
    at: Mapped[datetime]
    kind: Mapped[str]
    actor: Mapped[str | None]
    actor_hash: Mapped[str]
    detail: Mapped[str | None]
    detail_hash: Mapped[str]
    salt: Mapped[str | None]
    prev_hash: Mapped[str]
    hash: Mapped[str]


class ChainHeadRow(Base):
    """The last entry of a chain: locked to append, and the witness that the end was not cut off."""

    __tablename__ = "chain_heads"

    chain: Mapped[str] = mapped_column(primary_key=True)
    seq: Mapped[int]
    hash: Mapped[str]
    checkpointed_seq: Mapped[int]


class LogCheckpointRow(Base):
    """The heads that moved since the checkpoint before, as canonical JSON, and the hash over both."""

    __tablename__ = "log_checkpoints"

    id: Mapped[Number]
    at: Mapped[datetime]
    heads: Mapped[str]
    prev_hash: Mapped[str]
    hash: Mapped[str]
