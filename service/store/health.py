"""Signs of life: heartbeats of the parts, and canaries that travel through broker and worker."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import Engine, bindparam, delete, func, insert, select, update
from sqlalchemy.orm import Session

from service.store.among import among
from service.store.engine import glancing
from service.store.tables import CanaryRow, GatewayStateRow, HeartbeatRow
from service.store.types import UTCDateTime
from service.store.upsert import insert_or_keep, table, touched


@dataclass(frozen=True, slots=True)
class Heartbeat:
    """When a part last did its whole round, and what it says of it."""

    name: str
    at: datetime
    detail: str | None


_ROW = table(HeartbeatRow).c
_BEATS = select(_ROW.name, _ROW.at, _ROW.detail)
_ONE = _BEATS.where(_ROW.name == bindparam("of"))
_ALL = _BEATS.order_by(_ROW.name)
_TIMES = select(_ROW.at).where(among(_ROW.name, "names")).order_by(_ROW.at)
_LATER = (
    update(table(HeartbeatRow))
    .where(_ROW.name == bindparam("of"), _ROW.at <= bindparam("now"))
    .values(at=bindparam("now"), detail=bindparam("says"))
)


# Where one of these were left in the future no list would be read, and no gateway tried, until then.
_GATEWAYS_UNTIL: Final = ("rests_until_at", "trial_until_at", "free_at", "polled_to_at", "poll_until_at")


def beat(session: Session, name: str, at: datetime, detail: str | None = None) -> None:
    """Note that a part did its whole round. A heartbeat never goes back in time."""
    # It is there but for the first time; where it is later than this one it stands.
    if not touched(session, _LATER, {"of": name, "now": at, "says": detail}):
        insert_or_keep(session, HeartbeatRow, {"name": name, "at": at, "detail": detail})


def set_back(session: Session, name: str, at: datetime, detail: str) -> None:
    """Note that a part did its round at that time, though an earlier round may have been noted for later than that."""
    if not insert_or_keep(session, HeartbeatRow, {"name": name, "at": at, "detail": detail}):
        touched(session, update(HeartbeatRow).where(HeartbeatRow.name == name).values(at=at, detail=detail))


def heartbeat(session: Session, name: str) -> Heartbeat | None:
    """The last heartbeat of a part; None when it never lived."""
    found = session.execute(_ONE, {"of": name}).first()
    return None if found is None else Heartbeat(*found)


def heartbeats(session: Session) -> dict[str, Heartbeat]:
    """The last heartbeat of every part."""
    return {values.name: Heartbeat(*values) for values in session.execute(_ALL)}


def times_of(session: Session, names: Iterable[str]) -> list[datetime]:
    """When the last heartbeats of these parts were, the latest last; of those that ever lived."""
    return list(session.execute(_TIMES, {"names": list(names)}).scalars())


def glance_at(engine: Engine, names: Iterable[str]) -> list[datetime]:
    """The same outside of any transaction: it is asked for every few seconds."""
    with glancing(engine) as connection:
        return list(connection.execute(_TIMES, {"names": list(names)}).scalars())


def take_back(session: Session, now: datetime, prefix: str) -> None:
    """Set back to `now` whatever a part has left that is later: its heartbeat, and a gateway's rest and reading.

    Heartbeats of which the name begins with `prefix`, and canaries that set out later, are forgotten.
    """
    later = HeartbeatRow.at > now
    touched(session, delete(HeartbeatRow).where(later, HeartbeatRow.name.startswith(prefix, autoescape=True)))
    touched(session, update(HeartbeatRow).where(later).values(at=now))
    touched(session, delete(CanaryRow).where(CanaryRow.sent_at > now))
    for name in _GATEWAYS_UNTIL:
        until = getattr(GatewayStateRow, name)
        touched(session, update(GatewayStateRow).where(until > now).values({name: now}))


def send_canary(session: Session, now: datetime) -> int:
    """A new canary; its id is what travels."""
    return session.execute(insert(CanaryRow).values(sent_at=now).returning(CanaryRow.id)).scalar_one()


def return_canary(session: Session, canary_id: int, now: datetime) -> bool:
    """The canary came through; False when it had come before, or is not known."""
    home = update(CanaryRow).where(CanaryRow.id == canary_id, CanaryRow.returned_at.is_(None))
    return touched(session, home.values(returned_at=now)) == 1


def last_canary_home(session: Session) -> datetime | None:
    """When the canary set out that set out last among those that came through.

    Where none did, or those are forgotten, when the first set out that has not come: workers that are dead for days
    must not look like workers of whom nothing is known. None where none was ever sent.
    """
    row = CanaryRow
    home = select(func.max(row.sent_at)).where(row.returned_at.is_not(None)).scalar_subquery()
    away = select(func.min(row.sent_at)).where(row.returned_at.is_(None)).scalar_subquery()
    return session.execute(select(func.coalesce(home, away, type_=UTCDateTime()))).scalar_one()


def drop_canaries(session: Session, sent_before: datetime) -> int:
    """Forget canaries of long ago; how many."""
    return touched(session, delete(CanaryRow).where(CanaryRow.sent_at < sent_before))
