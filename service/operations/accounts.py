"""The admins of a club as its owners see and change them. All of it is in the club's log.

A club always has an owner: the last one can neither be disabled nor become anything less. Who is changed is signed out
everywhere, at once.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy.orm import Session

from service.operations.admin_roles import AdminRole
from service.operations.desk_log import note
from service.operations.own_account import RefusedError, end_everything
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import admin_sessions, admins, known_browsers, log, second_factors
from service.store.tables import AdminRow

LAST_OWNER: Final = "This is the last owner of the club. Make somebody else an owner first. Nothing changed."


@dataclass(frozen=True, slots=True)
class Account:
    """One admin of the club. `seen_at`: when last, on a browser on which they are still signed in.

    `deaf`: their phone has opted out of our texts, so that nothing can be told to them.
    """

    admin_id: str
    name: str
    email: str
    phone: str | None
    role: AdminRole
    second_factor: bool
    since_at: datetime
    seen_at: datetime | None
    only_owner: bool
    deaf: bool


def accounts(service: Service, club_id: str) -> list[Account]:
    """The admins of a club who are in office, those longest so first."""

    def look(session: Session) -> list[Account]:
        rows = admins.listing(session, club_id)
        with_factor = second_factors.those_with(session, club_id)
        seen = admin_sessions.last_seen(session, club_id)
        deaf = admins.deaf(session, club_id)
        owners = sum(row.role == AdminRole.OWNER for row in rows)
        return [
            Account(
                admin_id=row.id,
                name=row.name,
                email=row.email,
                phone=row.phone,
                role=AdminRole(row.role),
                second_factor=row.id in with_factor,
                since_at=row.created_at,
                seen_at=seen.get(row.id),
                only_owner=owners == 1 and row.role == AdminRole.OWNER,
                deaf=row.phone in deaf,
            )
            for row in rows
        ]

    return service.read(look)


def change_role(service: Service, admin: SignedIn, admin_id: str, role: AdminRole) -> str | None:
    """Give an admin of the club another role; their name, None for no such admin. Raises RefusedError."""

    def work(session: Session, row: AdminRow) -> None:
        if row.role == role:
            return
        if role is not AdminRole.OWNER:
            _keep_an_owner(session, row)
        before, row.role = row.role, role.value
        end_everything(session, row.id)
        note(service, session, admin, "admin_role_changed", {"of": row.name, "from": before, "to": role.value})

    return _change(service, admin, admin_id, work)


def disable(service: Service, admin: SignedIn, admin_id: str) -> str | None:
    """From now on this admin can neither sign in nor is told anything. As `change_role`."""

    def work(session: Session, row: AdminRow) -> None:
        _keep_an_owner(session, row)
        forget(session, row.id)
        admins.disable(session, row.id, service.clock.now())
        note(service, session, admin, "admin_disabled", {"of": row.name})

    return _change(service, admin, admin_id, work)


def sign_out_admin(service: Service, admin: SignedIn, admin_id: str) -> str | None:
    """Sign an admin of the club out on every browser. As `change_role`."""

    def work(session: Session, row: AdminRow) -> None:
        ended = end_everything(session, row.id)
        known_browsers.forget_all(session, row.id)
        note(service, session, admin, "admin_signed_out", {"of": row.name, "browsers_signed_out": ended})

    return _change(service, admin, admin_id, work)


def reset_second_factor(service: Service, admin: SignedIn, admin_id: str) -> str | None:
    """Take the second step of another admin off, who lost the device and the recovery codes. As `change_role`.

    Not one's own: that needs a code, so that a desk left open is not enough.
    """

    def work(session: Session, row: AdminRow) -> None:
        if row.id == admin.admin_id:
            raise RefusedError("Turn your own second step off on your account's page, with a code.", "admin")
        if second_factors.remove(session, row.id):
            end_everything(session, row.id)
            note(service, session, admin, "second_factor_reset", {"of": row.name})

    return _change(service, admin, admin_id, work)


def forget(session: Session, admin_id: str) -> None:
    """Nothing of what an admin signs in with is left but the password."""
    end_everything(session, admin_id)
    known_browsers.forget_all(session, admin_id)
    second_factors.remove(session, admin_id)


def is_last_owner(session: Session, admin_id: str, club_id: str) -> bool:
    """Whether the club would have no owner without this admin. Hold the club's chain before, so that it stays true."""
    owners = [row.id for row in admins.listing(session, club_id) if row.role == AdminRole.OWNER]
    return owners == [admin_id]


def _change(service: Service, admin: SignedIn, admin_id: str, work: Callable[[Session, AdminRow], None]) -> str | None:
    def change(session: Session) -> str | None:
        # Two owners who make each other less at the same moment go one after the other.
        log.hold(session, log.club_chain(admin.club_id))
        row = admins.get(session, admin_id)
        if row is None or row.club_id != admin.club_id:
            return None
        work(session, row)
        session.flush()
        return row.name

    return service.write(change)


def _keep_an_owner(session: Session, row: AdminRow) -> None:
    if is_last_owner(session, row.id, row.club_id):
        raise RefusedError(LAST_OWNER, "admin")
