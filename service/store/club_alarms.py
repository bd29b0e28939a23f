"""Whether a club has an alarm up, and since when."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from sqlalchemy import or_, select
from sqlalchemy.orm import Session

from service.domain.dive.state import ALARMED
from service.store.codec import UnreadableError, load_dive
from service.store.tables import DiveRow

LOOKED_BACK: Final = timedelta(hours=48)


def alarm_since(session: Session, club_id: str, now: datetime) -> datetime | None:
    """Since when the club has had a dive in phase alert or distress, one after another without a break.

    None while no dive is. What closed more than two days ago is not looked at. A dive that cannot be read counts from
    when it was filed.
    """
    row = DiveRow
    phases = [phase.value for phase in ALARMED]
    found = session.execute(
        select(row.state, row.filed_at, row.closed_at)
        .where(row.club_id == club_id)
        .where(or_(row.phase.in_(phases), row.closed_at > now - LOOKED_BACK))
    )
    spans = [(_began(state, filed_at), closed_at) for state, filed_at, closed_at in found]
    alarms = [(began_at, closed_at) for began_at, closed_at in spans if began_at is not None]
    since = min((began_at for began_at, closed_at in alarms if closed_at is None), default=None)
    ended = [(began_at, closed_at) for began_at, closed_at in alarms if closed_at is not None]
    for began_at, closed_at in sorted(ended, reverse=True):
        if since is not None and began_at < since <= closed_at:
            since = began_at
    return since


def _began(state: str, filed_at: datetime) -> datetime | None:
    try:
        return load_dive(state).alarm_at
    except UnreadableError:
        return filed_at
