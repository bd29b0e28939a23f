"""What the admins of a club were told of calls for help that no dive took up: it bounds what they are told next."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import func, select
from sqlalchemy.orm import Session

from service.store.tables import MessageRow


def told_since(session: Session, club_id: str, begins: str, since: datetime) -> list[tuple[str, datetime]]:
    """The steps that begin so of the messages of no dive that a club queued since that instant, and when first."""
    row = MessageRow
    of_club = (row.dive_id.is_(None), row.club_id == club_id, row.queued_at >= since)
    found = select(row.step, func.min(row.queued_at)).where(*of_club, row.step.startswith(begins, autoescape=True))
    return [(step, at) for step, at in session.execute(found.group_by(row.step))]
