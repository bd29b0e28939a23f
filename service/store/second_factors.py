"""Second factors of admins: the secret of their codes, the codes for when it is lost, and who is half signed in."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from sqlalchemy import delete, func, select, update
from sqlalchemy.orm import Session

from service.store.ids import new_id
from service.store.tables import AdminRow, RecoveryCodeRow, SecondFactorRow, SecondStepRow
from service.store.tries import taken
from service.store.upsert import touched


def begin(session: Session, admin_id: str, sealed: str, now: datetime) -> None:
    """A new secret that is not asked for yet; one that was begun before and not confirmed is forgotten."""
    row = SecondFactorRow
    session.execute(delete(row).where(row.admin_id == admin_id, row.confirmed_at.is_(None)))
    session.add(row(admin_id=admin_id, sealed=sealed, created_at=now, last_step=0, tries=0))
    session.flush()


def get(session: Session, admin_id: str) -> SecondFactorRow | None:
    """The second factor of an admin, confirmed or not."""
    found = select(SecondFactorRow).where(SecondFactorRow.admin_id == admin_id)
    return session.execute(found.execution_options(populate_existing=True)).scalar_one_or_none()


def confirm(session: Session, admin_id: str, step: int, now: datetime) -> bool:
    """From now on it is asked for; False where there is none to confirm."""
    row = SecondFactorRow
    begun = update(row).where(row.admin_id == admin_id, row.confirmed_at.is_(None))
    return touched(session, begun.values(confirmed_at=now, last_step=step)) == 1


def use_step(session: Session, admin_id: str, step: int) -> bool:
    """Take the code of a step; False where that step, or a later one, was taken already."""
    row = SecondFactorRow
    return (
        touched(session, update(row).where(row.admin_id == admin_id, row.last_step < step).values(last_step=step)) == 1
    )


def take_try(session: Session, admin_id: str, now: datetime, most: int) -> bool:
    """Count one more code from a browser that nobody knows; False, and not counted, when that is too many."""
    row = SecondFactorRow
    return taken(session, row, row.admin_id == admin_id, now, most)


def forget_tries(session: Session, admin_id: str) -> None:
    """One of them was right."""
    row = SecondFactorRow
    touched(session, update(row).where(row.admin_id == admin_id).values(tries=0, tries_since_at=None))


def remove(session: Session, admin_id: str) -> bool:
    """No second factor any more, and no recovery codes; whether there was one that was asked for."""
    session.execute(delete(RecoveryCodeRow).where(RecoveryCodeRow.admin_id == admin_id))
    row = SecondFactorRow
    was = session.execute(select(row.confirmed_at).where(row.admin_id == admin_id)).scalar_one_or_none()
    session.execute(delete(row).where(row.admin_id == admin_id))
    return was is not None


def those_with(session: Session, club_id: str) -> set[str]:
    """The admins of a club who sign in with a second factor."""
    row = SecondFactorRow
    found = select(row.admin_id).join(AdminRow, AdminRow.id == row.admin_id)
    return set(session.execute(found.where(AdminRow.club_id == club_id, row.confirmed_at.is_not(None))).scalars())


def renew_recovery_codes(session: Session, admin_id: str, hashes: Sequence[str]) -> None:
    """These and no others, numbered from 0."""
    session.execute(delete(RecoveryCodeRow).where(RecoveryCodeRow.admin_id == admin_id))
    for number, code_hash in enumerate(hashes):
        session.add(RecoveryCodeRow(id=new_id(), admin_id=admin_id, number=number, code_hash=code_hash))
    session.flush()


def recovery_code(session: Session, admin_id: str, number: int) -> RecoveryCodeRow | None:
    """The code of that number while it was not used."""
    row = RecoveryCodeRow
    found = select(row).where(row.admin_id == admin_id, row.number == number, row.used_at.is_(None))
    return session.execute(found).scalar_one_or_none()


def use_recovery_code(session: Session, code_id: str, now: datetime) -> bool:
    """Use it up; False where it was used already."""
    row = RecoveryCodeRow
    return touched(session, update(row).where(row.id == code_id, row.used_at.is_(None)).values(used_at=now)) == 1


def recovery_codes_left(session: Session, admin_id: str) -> int:
    """How many were not used."""
    row = RecoveryCodeRow
    found = select(func.count()).where(row.admin_id == admin_id, row.used_at.is_(None))
    return session.execute(found).scalar_one()


def add_step(session: Session, *, token_hash: str, admin_id: str, now: datetime, ends_at: datetime) -> None:
    """Somebody whose code is waited for; those who were waited for too long are forgotten."""
    session.execute(delete(SecondStepRow).where(SecondStepRow.ends_at <= now))
    session.add(SecondStepRow(token_hash=token_hash, admin_id=admin_id, ends_at=ends_at))
    session.flush()


def step_of(session: Session, token_hash: str, now: datetime) -> str | None:
    """The admin whose code is waited for under that cookie."""
    row = SecondStepRow
    found = select(row.admin_id).where(row.token_hash == token_hash, row.ends_at > now)
    return session.execute(found).scalar_one_or_none()


def end_steps(session: Session, admin_id: str) -> None:
    """Nobody is waited for any more."""
    session.execute(delete(SecondStepRow).where(SecondStepRow.admin_id == admin_id))


def end_step(session: Session, token_hash: str) -> bool:
    """This one is waited for no more; whether it was."""
    return touched(session, delete(SecondStepRow).where(SecondStepRow.token_hash == token_hash)) == 1
