"""What a club has sent lately beside its armed dives, counted from its messages; and what all of its texts came to."""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Final

from sqlalchemy import and_, bindparam, case, func, not_, or_, select, text
from sqlalchemy.orm import Session

from service.domain.sending import Used
from service.store.tables import AttemptRow, DiveRow, MessageRow
from service.store.tables.message import BESIDE_DIVES
from service.store.types import UTCDateTime
from service.store.upsert import table

_ROW, _DIVE, _TRIED = table(MessageRow).c, table(DiveRow).c, table(AttemptRow).c
_ADMINS: Final = "admin-%"  # who are told of faults of the service, which nobody else can cause

_SINCE_HOUR = bindparam("hour", type_=UTCDateTime())
_THIS_HOUR = case((_ROW.queued_at >= _SINCE_HOUR, _ROW.segments), else_=0)
_NOT_ARMED = or_(
    _ROW.dive_id.is_(None),
    _DIVE.started_at.is_(None),
    _ROW.queued_at < _DIVE.started_at,
    _ROW.queued_at > _DIVE.closed_at,
)
_BESIDE = (
    select(_ROW.phone, func.sum(_ROW.segments), func.sum(_THIS_HOUR))
    .select_from(table(MessageRow).outerjoin(table(DiveRow), _DIVE.id == _ROW.dive_id))
    .where(
        text(f"messages.{BESIDE_DIVES}"),  # word for word, else SQLite does not see that the index serves
        _ROW.club_id == bindparam("club"),
        _ROW.queued_at >= bindparam("day", type_=UTCDateTime()),
        _ROW.segments > 0,
        not_(_ROW.person_key.like(_ADMINS)),
        or_(_ROW.dive_id.is_(None), not_(_DIVE.drill)),  # drills are counted as such
        _NOT_ARMED,
    )
    .group_by(_ROW.phone)
)
_DRILLS = select(func.count()).where(
    _DIVE.club_id == bindparam("club"), _DIVE.filed_at >= bindparam("day", type_=UTCDateTime()), _DIVE.drill
)
_MONTH = (
    select(func.coalesce(func.sum(_ROW.segments), 0))
    .select_from(table(AttemptRow).join(table(MessageRow), _ROW.id == _TRIED.message_id))
    .where(
        and_(_TRIED.started_at >= bindparam("month", type_=UTCDateTime()), _TRIED.outcome == "accepted"),
        _ROW.club_id == bindparam("club"),
    )
)


def used(session: Session, club_id: str, phones: Collection[str], *, hour: datetime, day: datetime) -> Used:
    """Parts queued since these two instants beside armed dives, and drills begun; of the phones that of the busiest."""
    found = session.execute(_BESIDE, {"club": club_id, "day": day, "hour": hour})
    by_phone: dict[str, tuple[int, int]] = {phone: (of_day, of_hour) for phone, of_day, of_hour in found}
    return Used(
        number_day=max((by_phone[phone][0] for phone in phones if phone in by_phone), default=0),
        club_hour=sum(parts for _, parts in by_phone.values()),
        club_day=sum(parts for parts, _ in by_phone.values()),
        drills_day=session.execute(_DRILLS, {"club": club_id, "day": day}).scalar_one(),
    )


def parts_handed(session: Session, club_id: str, since: datetime) -> int:
    """How many parts gateways took of the club's texts since that instant, each time that one was sent."""
    parts: int = session.execute(_MONTH, {"club": club_id, "month": since}).scalar_one()
    return parts
