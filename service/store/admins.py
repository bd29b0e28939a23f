"""Admins of a club: who may change it, and who is told when nobody else answers."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import exists, select, update
from sqlalchemy.orm import Session

from service.store.ids import new_id
from service.store.opt_outs import opted_out
from service.store.tables import AdminRow, ClubRow
from service.store.upsert import touched


def add(
    session: Session,
    *,
    club_id: str,
    name: str,
    email: str,
    phone: str | None,
    password_hash: str,
    now: datetime,
    role: str = "owner",
) -> AdminRow:
    """A new admin. Raises IntegrityError when the address is taken, in whatever case it is written."""
    admin = AdminRow(
        id=new_id(),
        club_id=club_id,
        name=name,
        email=folded(email),
        phone=phone,
        password_hash=password_hash,
        created_at=now,
        role=role,
    )
    session.add(admin)
    session.flush()
    return admin


def get(session: Session, admin_id: str) -> AdminRow | None:
    """The admin of that id, unless disabled."""
    admin = session.get(AdminRow, admin_id)
    return admin if admin is not None and admin.disabled_at is None else None


def hold(session: Session, admin_id: str) -> None:
    """Keep an admin as they are until this transaction ends."""
    session.execute(select(AdminRow.id).where(AdminRow.id == admin_id).with_for_update())


def by_email(session: Session, email: str) -> AdminRow | None:
    """The admin who signs in with that address, unless disabled."""
    found = select(AdminRow).where(AdminRow.email == folded(email), AdminRow.disabled_at.is_(None))
    return session.execute(found).scalar_one_or_none()


def by_email_ever(session: Session, email: str) -> AdminRow | None:
    """The admin who signs in with that address, or did until they were disabled."""
    return session.execute(select(AdminRow).where(AdminRow.email == folded(email))).scalar_one_or_none()


def set_password(session: Session, admin_id: str, password_hash: str) -> None:
    """The admin signs in with another password from now on."""
    touched(session, update(AdminRow).where(AdminRow.id == admin_id).values(password_hash=password_hash))


def listing(session: Session, club_id: str) -> list[AdminRow]:
    """The admins of a club who are in office, those longest so first."""
    found = select(AdminRow).where(AdminRow.club_id == club_id, AdminRow.disabled_at.is_(None))
    return list(session.execute(found.order_by(AdminRow.created_at, AdminRow.id)).scalars())


def admins_to_tell(session: Session, club_id: str) -> list[AdminRow]:
    """The admins of a club who can be told something, those longest in office first."""
    found = (
        select(AdminRow)
        .where(AdminRow.club_id == club_id, AdminRow.disabled_at.is_(None), AdminRow.phone.is_not(None))
        .order_by(AdminRow.created_at, AdminRow.id)
    )
    return list(session.execute(found).scalars())


def deaf(session: Session, club_id: str) -> set[str]:
    """The phones of its admins that have opted out of a club's texts, so that nothing of ours reaches them."""
    club = session.get(ClubRow, club_id)
    phones = [admin.phone for admin in admins_to_tell(session, club_id) if admin.phone]
    ways = [] if club is None else [(club.receiving_number, phone) for phone in phones]
    return {phone for _, phone in opted_out(session, ways)}


def anybody_hears(session: Session, club_id: str) -> bool:
    """Whether a club has an admin to whom something can be told."""
    silent = deaf(session, club_id)
    return any(admin.phone not in silent for admin in admins_to_tell(session, club_id))


def has_phone(session: Session, club_id: str, phone: str) -> bool:
    """Whether an account of the club has that phone, in office or disabled."""
    found = exists().where(AdminRow.club_id == club_id, AdminRow.phone == phone)
    return bool(session.execute(select(found)).scalar_one())


def disable(session: Session, admin_id: str, now: datetime) -> None:
    """From now on this admin can neither sign in nor is told anything."""
    admin = session.get(AdminRow, admin_id)
    if admin is not None and admin.disabled_at is None:
        admin.disabled_at = now
        session.flush()


def folded(email: str) -> str:
    """An address as it is kept: the same, however it was typed."""
    return email.strip().casefold()
