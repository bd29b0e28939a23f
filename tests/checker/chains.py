"""The hash chains of the log, computed anew from the written recipe.

A leaf is SHA-256 over the byte 0x00, the hash before it and the canonical JSON of [chain, number, instant, kind, hash
of the actor, hash of the detail]; a checkpoint over the byte 0x01, the checkpoint before it and [instant, heads]. Actor
and detail are hashed behind a salt. Canonical: keys sorted, no blanks, letters as themselves. An instant is RFC 3339 in
UTC with six decimals and a Z.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from datetime import UTC, datetime
from functools import lru_cache
from hashlib import sha256

from tests.checker.reading import Entry, Record

FIRST = "0" * 64
CHECKPOINTS = "checkpoints"
_HASH = re.compile("[0-9a-f]{64}")
_CANONICAL = json.JSONEncoder(sort_keys=True, separators=(",", ":"), ensure_ascii=False)


def written(value: object) -> str:
    """A JSON value in its canonical form."""
    return _CANONICAL.encode(value)


def stamped(at: datetime) -> str:
    """An instant in its canonical form."""
    return at.astimezone(UTC).replace(tzinfo=None).isoformat(timespec="microseconds") + "Z"


def leaf(entry: Entry) -> str:
    """The hash that an entry must have."""
    facts = [entry.chain, entry.seq, stamped(entry.at), entry.kind, entry.actor_hash, entry.detail_hash]
    return sha256(b"\x00" + bytes.fromhex(entry.prev_hash) + written(facts).encode()).hexdigest()


@lru_cache(maxsize=8_192)
def salted(salt: str, words: str) -> str:
    """The hash that an actor or a detail must have."""
    return sha256(bytes.fromhex(salt) + words.encode()).hexdigest()


def every_entry_is_as_it_was_written(record: Record) -> Iterator[str]:
    """Each entry's hash is that of its facts and of the entry before it, and actor and detail are those hashed."""
    for chain, entries in record.by_chain.items():
        before = FIRST
        for entry in entries:
            if entry.prev_hash != before:
                yield f"{chain} {entry.seq} does not follow the entry before it"
            if entry.hash != leaf(entry):
                yield f"{chain} {entry.seq} has another time, kind or hash than was written"
            for words, kept in ((entry.actor, entry.actor_hash), (entry.detail, entry.detail_hash)):
                if words is not None and (entry.salt is None or salted(entry.salt, words) != kept):
                    yield f"{chain} {entry.seq} has another actor or detail than was written"
            before = entry.hash


def every_chain_is_whole(record: Record) -> Iterator[str]:
    """Numbers run from 1 without a gap, and the head is the last entry."""
    heads = {head.chain: head for head in record.heads}
    for chain in record.by_chain.keys() | heads.keys() - {CHECKPOINTS}:
        entries = record.by_chain.get(chain, [])
        if [entry.seq for entry in entries] != list(range(1, len(entries) + 1)):
            yield f"{chain} has a gap"
        head, last = heads.get(chain), (entries[-1].hash if entries else FIRST)
        if head is None or (head.seq, head.hash) != (len(entries), last):
            yield f"{chain} does not end where its head says"


def every_entry_is_in_its_own_chain(record: Record) -> Iterator[str]:
    """An entry of a dive or of a club stands in that dive's or that club's chain, under its club."""
    for entry in record.entries:
        kind, _, name = entry.chain.partition(":")
        owner = {"dive": entry.dive_id, "club": entry.club_id}.get(kind, name)
        dive = record.dives.get(entry.dive_id or "")
        if owner != name or (dive is not None and dive.club_id != entry.club_id):
            yield f"{entry.chain} {entry.seq} is of dive {entry.dive_id} and club {entry.club_id}"


def every_checkpoint_saw_what_is_there(record: Record) -> Iterator[str]:
    """Checkpoints form a chain, and the heads in each are entries of today."""
    hashes = {(entry.chain, entry.seq): entry.hash for entry in record.entries}
    before = FIRST
    for point in record.checkpoints:
        node = sha256(b"\x01" + bytes.fromhex(before) + written([stamped(point.at), point.heads]).encode()).hexdigest()
        if (point.prev_hash, point.hash) != (before, node):
            yield f"checkpoint {point.id} was changed, or one before it is missing"
        for chain, (seq, head) in json.loads(point.heads).items():
            if hashes.get((chain, seq)) != head:
                yield f"checkpoint {point.id} saw another entry {seq} of {chain}"
        before = point.hash
    head = next((one for one in record.heads if one.chain == CHECKPOINTS), None)
    if (head.seq, head.hash) != (len(record.checkpoints), before) if head else record.checkpoints:
        yield "checkpoints were cut off"


def what_was_erased_keeps_its_hash(record: Record) -> Iterator[str]:
    """Actor, detail and salt go together, of dives that are closed; what is left is two hashes."""
    for entry in record.entries:
        gone = {value is None for value in (entry.actor, entry.detail, entry.salt)}
        if gone == {False}:
            continue
        dive = record.dives.get(entry.dive_id or "")
        kept = all(_HASH.fullmatch(one) for one in (entry.actor_hash, entry.detail_hash, entry.hash))
        if gone != {True} or not kept or (dive is not None and dive.phase != "closed"):
            yield f"{entry.chain} {entry.seq} was erased in part, or while its dive is open"
