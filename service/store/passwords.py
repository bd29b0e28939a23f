"""What is stored of a password, and of the short codes that must be as hard to guess back."""

from __future__ import annotations

import secrets
from base64 import b64encode
from typing import Final

import argon2
from argon2.exceptions import InvalidHashError, VerificationError

LONGEST: Final = 1024

_HASHER: Final = argon2.PasswordHasher()


def _of_nobody() -> str:
    """A hash that no password is known for. Drawn and not made of one, since every process that starts would make it.

    In the form of the reference implementation, https://github.com/P-H-C/phc-winner-argon2.
    """
    costs = f"m={_HASHER.memory_cost},t={_HASHER.time_cost},p={_HASHER.parallelism}"
    salt, found = (b64encode(secrets.token_bytes(size)).rstrip(b"=").decode() for size in (16, _HASHER.hash_len))
    return f"$argon2id$v=19${costs}${salt}${found}"


# Verified where there is no such admin, so that the time taken tells little of who is one.
_NOBODY: Final = _of_nobody()


def hash_password(password: str) -> str:
    """Argon2id with the low-memory parameters of RFC 9106 section 4."""
    return _HASHER.hash(password)


def matches(hashed: str | None, password: str) -> bool:
    """Whether that is the password, just as it was typed; for no hash it takes as long and is False.

    One that is longer than any that can be set is not hashed at its length, which would be work for nothing.
    """
    try:
        _HASHER.verify(hashed or _NOBODY, password[:LONGEST])
    except (VerificationError, InvalidHashError):
        return False
    return hashed is not None and len(password) <= LONGEST
