"""When each sender may send again, as all couriers together know it: one instant in the state of its gateway."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import datetime

from sqlalchemy import func, select, update
from sqlalchemy.orm import Session

from service.store.tables import GatewayStateRow
from service.store.upsert import insert_or_keep, touched


def lock_free_at(session: Session, names: Collection[str]) -> dict[str, datetime | None]:
    """The `free_at` of these senders; until this transaction ends nobody else reads them so."""
    found = _locked(session, names)
    missing = [name for name in names if name not in found]
    for name in missing:
        insert_or_keep(session, GatewayStateRow, {"name": name, "faults": 0})
    return found | _locked(session, missing) if missing else found


def save_free_at(session: Session, free_at: Mapping[str, datetime | None]) -> None:
    """Write what `lock_free_at` gave in this transaction, as it is now."""
    row = GatewayStateRow
    for name, at in free_at.items():
        touched(session, update(row).where(row.name == name).values(free_at=at))


def last_free_at(session: Session) -> datetime | None:
    """The latest mark of any sender that has a rate: near to now while couriers send as fast as they may."""
    return session.execute(select(func.max(GatewayStateRow.free_at))).scalar_one()


def _locked(session: Session, names: Collection[str]) -> dict[str, datetime | None]:
    row = GatewayStateRow
    # In one order, so that no two couriers wait for each other.
    wanted = select(row.name, row.free_at).where(row.name.in_(names)).order_by(row.name).with_for_update()
    return {name: at for name, at in session.execute(wanted)}  # noqa: C416 - rows, not pairs
