"""How entries of the log are hashed into a chain, and checkpoints over the chains.

A leaf and a node are told apart by their first byte, 0x00 and 0x01, as in RFC 6962 section 2.1, so that no
entry can be passed off as a checkpoint. Actor and detail enter only as salted hashes: once they are erased
together with the salt, a guess at a name or a phone number cannot be tried against what is left.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from service.store.codec import canonical, canonical_words, stamp

GENESIS: Final = "0" * 64
_LEAF: Final = b"\x00"
_NODE: Final = b"\x01"


@dataclass(frozen=True, slots=True)
class Fault:
    """The first thing in a chain that is not as it was written; `seq` is the entry, None for the whole."""

    chain: str
    seq: int | None
    words: str


def salted_hash(salt: str, text: str) -> str:
    """SHA-256 over the salt (hexadecimal digits) and a text, in hexadecimal digits."""
    return hashlib.sha256(bytes.fromhex(salt) + text.encode()).hexdigest()


def entry_hash(prev_hash: str, *, chain: str, seq: int, at: datetime, kind: str, hashes: tuple[str, str]) -> str:
    """SHA-256(0x00 || hash before || canonical JSON of [chain, seq, at, kind, actor hash, detail hash])."""
    leaf = canonical_words([chain, seq, stamp(at), kind, *hashes])
    return hashlib.sha256(_LEAF + bytes.fromhex(prev_hash) + leaf.encode()).hexdigest()


def checkpoint_hash(prev_hash: str, *, at: datetime, heads: str) -> str:
    """SHA-256(0x01 || hash of the checkpoint before || canonical JSON of [at, heads])."""
    node = canonical([stamp(at), heads])
    return hashlib.sha256(_NODE + bytes.fromhex(prev_hash) + node.encode()).hexdigest()
