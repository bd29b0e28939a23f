"""Messages and attempts of while the database was gone, put in with their true times. Twice is as good as once."""

from __future__ import annotations

from datetime import datetime
from typing import Any

from sqlalchemy import and_, insert, not_, select, update
from sqlalchemy.orm import Session

from service.store.leases import end_lost_attempts
from service.store.outbox import DELIVERED, HANDED, LEASED, QUEUED, AttemptOutcome
from service.store.tables import AttemptRow, MessageRow
from service.store.upsert import insert_or_keep, touched


def add_message(session: Session, values: dict[str, Any]) -> bool:
    """Put in a message by its id; False when it is there."""
    if session.execute(select(MessageRow.id).where(MessageRow.id == values["id"])).first() is not None:
        return False
    if not insert_or_keep(session, MessageRow, values):
        # A keeper that forgot what its disk did not take has told the same again.
        insert_or_keep(session, MessageRow, values | {"step": f"{values['step']}-{values['id'][:8]}"})
    return True


def was_handed(session: Session, club_id: str, begins: str, step: str, since: datetime) -> bool:
    """Whether a gateway took a message of that club and of no dive whose step begins so and has that in it.

    `since`: it was queued then or later.
    """
    row = MessageRow
    of_club = (row.club_id == club_id, row.dive_id.is_(None), row.queued_at >= since)
    of_step = (row.step.startswith(begins, autoescape=True), row.step.contains(step, autoescape=True))
    found = select(row.id).where(*of_club, *of_step, row.state.in_((HANDED, DELIVERED))).limit(1)
    return session.execute(found).first() is not None


def mark_handed(session: Session, message_id: str, gateway: str, provider_id: str, at: datetime, now: datetime) -> None:
    """A gateway took a message of the outbox that still waits, or with which a courier is no longer at work.

    Nobody claims it any more, so an attempt of a courier that vanished ends here.
    """
    row = MessageRow
    held = and_(row.state == LEASED, row.in_flight, row.lease_until_at > now)
    waits = update(row).where(row.id == message_id, row.state.in_((QUEUED, LEASED)), not_(held))
    handed: dict[str, Any] = {"state": HANDED, "handed_at": at, "handed_gateway": gateway, "provider_id": provider_id}
    # Whatever receipt there was may have come while nobody could take it: the ladder goes on by its own time.
    handed |= {"receipt_checked": True}
    free = {"lease_owner": None, "lease_until_at": None, "in_flight": False}
    if touched(session, waits.values(**handed, **free)):
        end_lost_attempts(session, [message_id], now)


def add_attempt(
    session: Session,
    message_id: str,
    gateway: str,
    carried_by: str,
    started_at: datetime,
    ended_at: datetime,
    outcome: AttemptOutcome,
    code: str | None,
    detail: str | None,
    provider_id: str | None,
) -> bool:
    """Put in an attempt at a message; False when it is there."""
    row = AttemptRow
    same = (row.message_id == message_id) & (row.gateway == gateway) & (row.started_at == started_at)
    if session.execute(select(row.id).where(same)).first() is not None:
        return False
    values = {"message_id": message_id, "gateway": gateway, "carried_by": carried_by, "started_at": started_at}
    values |= {"ended_at": ended_at, "outcome": outcome, "code": code, "detail": detail, "provider_id": provider_id}
    session.execute(insert(row).values(**values))
    touched(session, update(MessageRow).where(MessageRow.id == message_id).values(attempts=MessageRow.attempts + 1))
    return True
