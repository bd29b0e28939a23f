"""What a manifest says of a database, read as of one instant, at whichever schema it is."""

from __future__ import annotations

import hashlib
from datetime import datetime
from typing import Final

from sqlalchemy import Connection, text

from service.store.copies.file import FORMAT, Manifest

_DIVE_CHAINS: Final = "dive:"
_HEADS: Final = "SELECT chain, seq, hash FROM chain_heads"
_DIVES: Final = "SELECT phase, count(*) FROM dives GROUP BY phase ORDER BY phase"


def describe(connection: Connection, *, program: str, schema: str, now: datetime) -> Manifest:
    """The manifest of a copy that is taken from what this connection sees."""
    digest = hashlib.sha256()
    heads: dict[str, tuple[int, str]] = {}
    # In the order of code points on either database, whatever its collation.
    for chain, seq, head in sorted(tuple(row) for row in connection.execute(text(_HEADS))):
        digest.update(f"{chain} {seq} {head}\n".encode())
        if not chain.startswith(_DIVE_CHAINS):
            heads[chain] = (seq, head)
    return Manifest(
        format=FORMAT,
        made_at=now,
        program=program,
        kind=connection.dialect.name,
        schema=schema,
        clubs=connection.execute(text("SELECT count(*) FROM clubs")).scalar_one(),
        dives=dict(tuple(row) for row in connection.execute(text(_DIVES))),
        entries=connection.execute(text("SELECT count(*) FROM log_entries")).scalar_one(),
        heads=heads,
        heads_sha256=digest.hexdigest(),
    )


def same(told: Manifest, found: Manifest) -> bool:
    """Whether a database is, by its log and its counts, the one that a manifest was written for."""
    ours, theirs = ((one.clubs, one.dives, one.entries, one.heads_sha256) for one in (told, found))
    return ours == theirs
