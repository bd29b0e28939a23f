"""Codes of a second factor: time-based ones (RFC 6238) and those for when the device is lost.

A time-based code is good in its own half minute, the one before and the one after, and once. A recovery code has its
number in front, so that only one hash has to be tried, and fifty random bits behind it; its hash is as slow as that of
a password (OWASP ASVS 5.0, 6.5.2).
"""

from __future__ import annotations

import hmac
import secrets
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Final

import pyotp
from cryptography.fernet import Fernet, InvalidToken
from sqlalchemy.orm import Session

from service.operations.sealing import sealer
from service.store import second_factors
from service.store.passwords import hash_password, matches

STEP_S: Final = 30
DIGITS: Final = 6
STEPS_ASIDE: Final = 1
RECOVERY_CODES: Final = 10
RECOVERY_LENGTH: Final = 10  # of an alphabet of 32: fifty bits
ISSUER: Final = "Linetender"

# Neither I nor O, nor 0 nor 1: they are read from paper.
_ALPHABET: Final = "23456789ABCDEFGHJKLMNPQRSTUVWXYZ"
_USE: Final = "second factors"


@dataclass(frozen=True, slots=True)
class Proof:
    """A code that is right, and not yet used up."""

    admin_id: str
    step: int | None = None
    recovery_code_id: str | None = None

    def use(self, session: Session, now: datetime) -> bool:
        """Use it up; False where it has been meanwhile."""
        if self.step is not None:
            return second_factors.use_step(session, self.admin_id, self.step)
        return second_factors.use_recovery_code(session, self.recovery_code_id or "", now)


def secrets_sealer(secret_key: str) -> Fernet:
    """What secrets are sealed with in the database."""
    return sealer(secret_key, _USE)


def new_secret() -> str:
    """160 random bits in base32, as RFC 4226 asks for (section 4, R6)."""
    return pyotp.random_base32()


def sealed(seal: Fernet, secret: str) -> str:
    """As it is stored."""
    return seal.encrypt(secret.encode()).decode()


def unsealed(seal: Fernet, stored: str) -> str | None:
    """The secret; None where it was sealed under another secret key."""
    try:
        return seal.decrypt(stored.encode()).decode()
    except InvalidToken:
        return None


def address(secret: str, email: str) -> str:
    """What the QR code holds: the secret and whose it is, for the program that makes the codes."""
    return pyotp.TOTP(secret).provisioning_uri(name=email, issuer_name=ISSUER)


def step_of(secret: str, typed: str, wall_now: datetime, last_step: int) -> int | None:
    """The step whose code was typed, if it is near enough and after the last that was taken; else None.

    `wall_now` is real time, whatever the pace of the clock: the device has no other.
    """
    code = _digits(typed)
    if code is None:
        return None
    right = [step for step in _near(wall_now) if step > last_step and _same(pyotp.HOTP(secret).at(step), code)]
    return max(right, default=None)


def proof(session: Session, seal: Fernet, admin_id: str, typed: str, wall_now: datetime) -> Proof | None:
    """What was typed, if it is a code of this admin's second factor or one of the recovery codes; else None."""
    factor = second_factors.get(session, admin_id)
    if factor is None or factor.confirmed_at is None:
        return None
    if _digits(typed) is None:
        return _recovery(session, admin_id, typed)
    secret = unsealed(seal, factor.sealed)
    step = None if secret is None else step_of(secret, typed, wall_now, factor.last_step)
    return None if step is None else Proof(admin_id, step=step)


def new_recovery_codes() -> tuple[str, ...]:
    """Ten codes as they are shown, once: `4 KXPRT-7TQM2`."""
    return tuple(f"{number} {_random(5)}-{_random(5)}" for number in range(RECOVERY_CODES))


def recovery_hashes(codes: Sequence[str]) -> tuple[str, ...]:
    """What is stored of them, in their order."""
    return tuple(hash_password(_plain(code)[1:]) for code in codes)


def _recovery(session: Session, admin_id: str, typed: str) -> Proof | None:
    plain = _plain(typed)
    if len(plain) != 1 + RECOVERY_LENGTH or not plain[0].isdecimal():
        return None
    row = second_factors.recovery_code(session, admin_id, int(plain[0]))
    right = matches(None if row is None else row.code_hash, plain[1:])
    return Proof(admin_id, recovery_code_id=row.id) if right and row is not None else None


def _near(wall_now: datetime) -> range:
    step = int(wall_now.timestamp()) // STEP_S
    return range(step - STEPS_ASIDE, step + STEPS_ASIDE + 1)


def _digits(typed: str) -> str | None:
    code = "".join(typed.split())
    return code if len(code) == DIGITS and code.isascii() and code.isdecimal() else None


def _plain(code: str) -> str:
    return "".join(letter for letter in code.upper() if letter.isascii() and letter.isalnum())


def _random(length: int) -> str:
    return "".join(secrets.choice(_ALPHABET) for _ in range(length))


def _same(one: str, other: str) -> bool:
    return hmac.compare_digest(one, other)
