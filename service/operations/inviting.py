"""Inviting somebody to a club's desk by a link that works once and for seven days; only its hash is kept.

The owner passes it on. We do not mail it: what we send stands in the club's list of messages, and whoever may read that
could become what was meant for somebody else.
"""

from __future__ import annotations

import re
import secrets
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session

from service.operations.accounts import forget
from service.operations.admin_roles import AdminRole
from service.operations.desk_log import note
from service.operations.links import TOKEN_BYTES, hash_token
from service.operations.own_account import RefusedError, read_name, read_phone_or_none
from service.operations.own_numbers import texted_to
from service.operations.password_rules import unfit
from service.operations.service import Service
from service.operations.signing_in import SignedIn, as_signed_in
from service.store import admin_invitations, admins, clubs, log
from service.store.passwords import hash_password
from service.store.tables import AdminInvitationRow, AdminRow

LASTS: Final = timedelta(days=7)
OPEN_MAX: Final = 30
EMAIL_MAX: Final = 254  # RFC 5321 section 4.5.3.1.3 leaves so many between the brackets
ADDRESS_TAKEN: Final = (
    "This address cannot be used: somebody signs in with it already. Ask for an invitation to another address."
)

_ADDRESS: Final = re.compile(r"[^@\s]+@[^@\s]+")


@dataclass(frozen=True, slots=True)
class Invitation:
    """An open invitation. `country`: as of which country a phone number is read."""

    invitation_id: str
    email: str
    role: AdminRole
    invited_by: str
    ends_at: datetime
    club_id: str
    club_name: str
    country: str
    zone: str


@dataclass(frozen=True, slots=True)
class Accepting:
    """What somebody who accepts has typed."""

    name: str
    phone: str
    password: str


def invite(service: Service, admin: SignedIn, email: str, role: AdminRole) -> str:
    """The token of a new invitation. An open one to the same address ends by it. Raises RefusedError."""
    address = email.strip()
    if len(address) > EMAIL_MAX or not _ADDRESS.fullmatch(address):
        raise RefusedError("Give an address such as finn@example.org. Nobody was invited.", "email")
    token, now = secrets.token_urlsafe(TOKEN_BYTES), service.clock.now()

    def work(session: Session) -> None:
        log.hold(session, log.club_chain(admin.club_id))
        known = admins.by_email(session, address)
        if known is not None and known.club_id == admin.club_id:
            raise RefusedError(f"{known.name} signs in with this address already. Nobody was invited.", "email")
        if len(admin_invitations.listing(session, admin.club_id, now)) >= OPEN_MAX:
            raise RefusedError("Thirty invitations are open. Take some back first. Nobody was invited.", "email")
        admin_invitations.add(
            session,
            club_id=admin.club_id,
            email=address,
            role=role.value,
            token_hash=hash_token(token),
            invited_by=admin.name,
            now=now,
            ends_at=now + LASTS,
        )
        note(service, session, admin, "admin_invited", {"email": address, "role": role.value})

    service.write(work)
    return token


def invitations(service: Service, club_id: str) -> list[Invitation]:
    """The open invitations of a club, the newest first."""
    now = service.clock.now()

    def look(session: Session) -> list[Invitation]:
        return [_invitation(session, row) for row in admin_invitations.listing(session, club_id, now)]

    return service.read(look)


def take_back(service: Service, admin: SignedIn, invitation_id: str) -> str | None:
    """End an open invitation; whom it was for, None where the club has no such open one."""

    def work(session: Session) -> str | None:
        row = admin_invitations.revoke(session, admin.club_id, invitation_id, service.clock.now())
        if row is None:
            return None
        note(service, session, admin, "invitation_taken_back", {"email": row.email})
        return row.email

    return service.write(work)


def invited(service: Service, token: str) -> Invitation | None:
    """What a link invites to; None where it was used, taken back, is over, or never was one."""
    now = service.clock.now()

    def look(session: Session) -> Invitation | None:
        row = admin_invitations.find(session, hash_token(token), now)
        return None if row is None else _invitation(session, row)

    return service.read(look)


def accept(service: Service, token: str, typed: Accepting) -> SignedIn | None:
    """Become an admin; the link is used up. None as `invited` does. Raises RefusedError.

    Who was one before and was disabled is one again, with what was typed now.
    """
    invitation = invited(service, token)
    if invitation is None:
        return None
    ours = service.read(lambda session: texted_to(session, service.own_numbers))
    name, phone = read_name(typed.name), read_phone_or_none(typed.phone, invitation.country, ours)
    fault = unfit(typed.password, (name, invitation.email, invitation.club_name))
    if fault is not None:
        raise RefusedError(fault, "password")
    hashed, now = hash_password(typed.password), service.clock.now()

    def work(session: Session) -> SignedIn | None:
        if not admin_invitations.accept(session, invitation.invitation_id, now):
            return None
        row = _admin(session, invitation, name, phone, hashed, now)
        admin = as_signed_in(session, row)
        note(service, session, admin, "invitation_accepted", {"email": row.email, "role": row.role})
        return admin

    try:
        return service.write(work)
    except IntegrityError:  # somebody else took the address at this very moment
        raise RefusedError(ADDRESS_TAKEN, "address") from None


def _admin(
    session: Session, invitation: Invitation, name: str, phone: str | None, hashed: str, now: datetime
) -> AdminRow:
    log.hold(session, log.club_chain(invitation.club_id))
    row = admins.by_email_ever(session, invitation.email)
    if row is None:
        return admins.add(
            session,
            club_id=invitation.club_id,
            name=name,
            email=invitation.email,
            phone=phone,
            password_hash=hashed,
            role=invitation.role.value,
            now=now,
        )
    if row.club_id != invitation.club_id or row.disabled_at is None:
        raise RefusedError(ADDRESS_TAKEN, "address")
    forget(session, row.id)
    row.name, row.phone, row.password_hash, row.role = name, phone, hashed, invitation.role.value
    row.disabled_at = None
    session.flush()
    return row


def _invitation(session: Session, row: AdminInvitationRow) -> Invitation:
    club = clubs.get(session, row.club_id)
    if club is None:
        raise LookupError(f"no club {row.club_id}")
    return Invitation(
        invitation_id=row.id,
        email=row.email,
        role=AdminRole(row.role),
        invited_by=row.invited_by,
        ends_at=row.ends_at,
        club_id=club.id,
        club_name=club.name,
        country=club.country,
        zone=club.zone,
    )
