"""What admins do at the desk goes into their club's chain, with their name."""

from __future__ import annotations

from sqlalchemy.orm import Session

from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import log
from service.store.tables.base import Json


def note(service: Service, session: Session, admin: SignedIn, kind: str, detail: Json) -> None:
    """An entry of that kind in the chain of the admin's club, at the time of the service's clock."""
    log.append(
        session,
        chain=log.club_chain(admin.club_id),
        at=service.clock.now(),
        kind=kind,
        actor={"role": "admin", "name": admin.name, "key": f"admin-{admin.admin_id}", "process": service.process},
        detail=detail,
        club_id=admin.club_id,
    )
