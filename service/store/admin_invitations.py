"""Links by which somebody becomes an admin; only their hashes are kept."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ColumnElement, select, update
from sqlalchemy.orm import Session

from service.store.admins import folded
from service.store.ids import new_id
from service.store.tables import AdminInvitationRow
from service.store.upsert import touched


def add(
    session: Session,
    *,
    club_id: str,
    email: str,
    role: str,
    token_hash: str,
    invited_by: str,
    now: datetime,
    ends_at: datetime,
) -> AdminInvitationRow:
    """A new invitation. Those of the same address that are still open end by it."""
    row = AdminInvitationRow
    same = update(row).where(row.club_id == club_id, row.email == folded(email))
    touched(session, same.where(row.accepted_at.is_(None), row.revoked_at.is_(None)).values(revoked_at=now))
    invitation = row(
        id=new_id(),
        club_id=club_id,
        email=folded(email),
        role=role,
        token_hash=token_hash,
        invited_by=invited_by,
        created_at=now,
        ends_at=ends_at,
    )
    session.add(invitation)
    session.flush()
    return invitation


def find(session: Session, token_hash: str, now: datetime) -> AdminInvitationRow | None:
    """The invitation of that hash while it is open."""
    row = AdminInvitationRow
    found = select(row).where(row.token_hash == token_hash, *_is_open(now))
    return session.execute(found.execution_options(populate_existing=True)).scalar_one_or_none()


def accept(session: Session, invitation_id: str, now: datetime) -> bool:
    """Take it, once; False where somebody was quicker, or where it has ended."""
    row = AdminInvitationRow
    return touched(session, update(row).where(row.id == invitation_id, *_is_open(now)).values(accepted_at=now)) == 1


def revoke(session: Session, club_id: str, invitation_id: str, now: datetime) -> AdminInvitationRow | None:
    """Take an open one back; gives what it was, None where the club has no such open one."""
    row = AdminInvitationRow
    found = session.execute(select(row).where(row.club_id == club_id, row.id == invitation_id, *_is_open(now)))
    invitation = found.scalar_one_or_none()
    if invitation is not None:
        invitation.revoked_at = now
        session.flush()
    return invitation


def listing(session: Session, club_id: str, now: datetime) -> list[AdminInvitationRow]:
    """The open invitations of a club, the newest first."""
    row = AdminInvitationRow
    found = select(row).where(row.club_id == club_id, *_is_open(now)).order_by(row.created_at.desc(), row.id)
    return list(session.execute(found).scalars())


def _is_open(now: datetime) -> tuple[ColumnElement[bool], ...]:
    row = AdminInvitationRow
    return row.accepted_at.is_(None), row.revoked_at.is_(None), row.ends_at > now
