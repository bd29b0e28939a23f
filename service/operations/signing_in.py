"""Signing in to a club's desk. None of this stands before a diver or a contact: they need no account.

A session is a row; the browser holds 128 random bits of which only the hash is kept. It ends after twelve hours
without use and after seven days in any case (OWASP ASVS 5.0, 7.3.1 and 7.3.2 ask that both are set; the lengths are
ours).
"""

from __future__ import annotations

import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta

from argon2 import PasswordHasher
from argon2.exceptions import InvalidHashError, VerificationError
from sqlalchemy.orm import Session

from service.operations.admin_roles import AdminRole
from service.operations.links import TOKEN_BYTES, hash_token
from service.operations.service import Service
from service.store import admin_sessions, admins, clubs, log
from service.store.tables import AdminRow

IDLE_MAX = timedelta(hours=12)
LASTS = timedelta(days=7)
SEEN_NOTED_EVERY = timedelta(minutes=5)  # so that looking at a page is not a write each time
PASSWORD_MAX = 1024

_HASHER = PasswordHasher()
# Verified where there is no such admin, so that the time taken tells little of who is one.
_NOBODY = _HASHER.hash(secrets.token_urlsafe(TOKEN_BYTES))


@dataclass(frozen=True, slots=True)
class SignedIn:
    """An admin at the desk of their club."""

    admin_id: str
    name: str
    club_id: str
    club_name: str
    zone: str
    role: AdminRole


def sign_in(service: Service, email: str, password: str) -> str | None:
    """A new session's token, or None where address and password do not belong together. Both are logged."""
    now = service.clock.now()
    admin = service.read(lambda session: _credentials(session, email))
    hashed = _NOBODY if admin is None else admin[1]
    right = _matches(hashed, password[:PASSWORD_MAX])
    if admin is None:
        return None
    admin_id, _, club_id, name = admin
    if not right:
        service.write(lambda session: _log(service, session, club_id, admin_id, name, "sign_in_failed", now))
        return None
    token = secrets.token_urlsafe(TOKEN_BYTES)

    def work(session: Session) -> None:
        admin_sessions.drop_ended(session, now)
        ends_at = now + LASTS
        admin_sessions.add(session, token_hash=hash_token(token), admin_id=admin_id, now=now, ends_at=ends_at)
        _log(service, session, club_id, admin_id, name, "signed_in", now)

    service.write(work)
    return token


def signed_in(service: Service, token: str) -> SignedIn | None:
    """Whose session it is; None where it is none, or over."""
    now, hashed = service.clock.now(), hash_token(token)

    def look(session: Session) -> tuple[SignedIn, datetime] | None:
        found = admin_sessions.find(session, hashed, now, now - IDLE_MAX)
        return None if found is None else (_as_signed_in(session, found[0]), found[1])

    found = service.read(look)
    if found is None:
        return None
    if now - found[1] >= SEEN_NOTED_EVERY:
        service.write(lambda session: admin_sessions.see(session, hashed, now))
    return found[0]


def sign_out(service: Service, token: str, admin: SignedIn) -> None:
    """End the session."""
    now = service.clock.now()

    def work(session: Session) -> None:
        admin_sessions.end(session, hash_token(token))
        _log(service, session, admin.club_id, admin.admin_id, admin.name, "signed_out", now)

    service.write(work)


def _as_signed_in(session: Session, admin: AdminRow) -> SignedIn:
    club = clubs.get(session, admin.club_id)
    if club is None:
        raise LookupError(f"no club {admin.club_id}")
    return SignedIn(admin.id, admin.name, club.id, club.name, club.zone, AdminRole(admin.role))


def _credentials(session: Session, email: str) -> tuple[str, str, str, str] | None:
    admin = admins.by_email(session, email)
    return None if admin is None else (admin.id, admin.password_hash, admin.club_id, admin.name)


def _matches(hashed: str, password: str) -> bool:
    try:
        return _HASHER.verify(hashed, password)
    except (VerificationError, InvalidHashError):
        return False


def _log(service: Service, session: Session, club_id: str, admin_id: str, name: str, kind: str, now: datetime) -> None:
    log.append(
        session,
        chain=log.club_chain(club_id),
        at=now,
        kind=kind,
        actor={"role": "admin", "name": name, "key": f"admin-{admin_id}", "process": service.process},
        detail={},
        club_id=club_id,
    )
