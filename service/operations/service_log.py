"""Entries of the log about the service itself: they belong to no dive and to no club."""

from __future__ import annotations

from datetime import datetime
from typing import Any, Final

from sqlalchemy.orm import Session

from service.operations.service import Service
from service.store import log

SERVICE_CHAIN: Final = "service"


def note(
    service: Service,
    session: Session,
    kind: str,
    detail: dict[str, Any],
    now: datetime,
    *,
    role: str = "clock",
    name: str = "the service",
) -> None:
    """Add an entry. `role` and `name` are those of whoever brought it about: the clock, or a gateway."""
    log.append(
        session,
        chain=SERVICE_CHAIN,
        at=now,
        kind=kind,
        actor={"role": role, "name": name, "process": service.process},
        detail=detail,
    )
