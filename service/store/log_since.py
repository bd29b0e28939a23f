"""What has happened in a chain since somebody last looked."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.tables import ChainHeadRow, LogEntryRow

LOOKED_AT_MAX: Final = 200


@dataclass(frozen=True, slots=True)
class Since:
    """An entry that is not erased."""

    at: datetime
    kind: str
    actor: dict[str, Any]
    detail: dict[str, Any]


def last_seq(session: Session, chain: str) -> int:
    """The number of the last entry of a chain; 0 where there is none."""
    found = select(ChainHeadRow.seq).where(ChainHeadRow.chain == chain)
    return session.execute(found).scalar_one_or_none() or 0


def since(session: Session, chain: str, seq: int, kinds: Collection[str]) -> list[Since]:
    """The entries of these kinds behind that number, the first first; at most so many."""
    row = LogEntryRow
    found = (
        select(row.at, row.kind, row.actor, row.detail)
        .where(row.chain == chain, row.seq > seq, row.kind.in_(kinds), row.detail.is_not(None))
        .order_by(row.seq)
        .limit(LOOKED_AT_MAX)
    )
    return [
        Since(at, kind, json.loads(actor or "{}"), json.loads(detail or "{}"))
        for at, kind, actor, detail in session.execute(found)
    ]
