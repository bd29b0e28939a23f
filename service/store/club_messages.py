"""The messages of one club, as its admins look at them. Nothing of another club is ever found here."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Final

from sqlalchemy import Select, func, select
from sqlalchemy.orm import Session, aliased

from service.store.outbox import Message
from service.store.receipts import Receipt
from service.store.tables import AttemptRow, DiveRow, MessageRow, ReceiptRow

_MESSAGE = tuple(getattr(MessageRow, field.name) for field in fields(Message))

AGAIN: Final = "+"
UNKNOWN: Final = "unknown"  # the outcome of an attempt


@dataclass(frozen=True, slots=True)
class Listed:
    """A message, the reference of its dive, and its latest attempt if there was one."""

    message: Message
    reference: str | None
    last_gateway: str | None
    last_outcome: str | None
    last_detail: str | None


def latest(
    session: Session,
    club_id: str,
    dive_id: str | None,
    limit: int,
    *,
    states: Collection[str] = (),
    last_unknown: bool | None = None,
) -> list[Listed]:
    """The messages that were queued last, the latest first.

    Of that dive, in one of these states, and of which the last attempt had an unknown outcome or had
    not, where these are given.
    """
    found = _selected(club_id)
    if dive_id is not None:
        found = found.where(MessageRow.dive_id == dive_id)
    if states:
        found = found.where(MessageRow.state.in_(states))
    if last_unknown is not None:
        found = found.where((func.coalesce(AttemptRow.outcome, "") == UNKNOWN).is_(last_unknown))
    return _listed(session, found.order_by(MessageRow.queued_at.desc(), MessageRow.id).limit(limit))


def one(session: Session, club_id: str, message_id: str) -> Listed | None:
    """The message of that id, where it is this club's."""
    return next(iter(_listed(session, _selected(club_id).where(MessageRow.id == message_id))), None)


def step_again(message: Message, time: int) -> str:
    """The step under which a message goes out again: its own, and which time it is."""
    return f"{message.step.partition(AGAIN)[0]}{AGAIN}{time}"


def times_sent_again(session: Session, message: Message) -> int:
    """How often a message was queued again by an admin, itself not counted."""
    row, begins = MessageRow, step_again(message, 0)[:-1]
    same_dive = row.dive_id.is_(None) if message.dive_id is None else row.dive_id == message.dive_id
    found = select(func.count()).where(
        row.club_id == message.club_id,
        same_dive,
        row.person_key == message.person_key,
        row.channel == message.channel,
        row.step.startswith(begins, autoescape=True),
    )
    return session.execute(found).scalar_one()


def _selected(club_id: str) -> Select[tuple[object, ...]]:
    later = aliased(AttemptRow)
    last = (
        select(later.id)
        .where(later.message_id == MessageRow.id)
        .order_by(later.id.desc())
        .limit(1)
        .correlate(MessageRow)
        .scalar_subquery()
    )
    return (
        select(*_MESSAGE, DiveRow.reference, AttemptRow.gateway, AttemptRow.outcome, AttemptRow.detail)
        .outerjoin(DiveRow, DiveRow.id == MessageRow.dive_id)
        .outerjoin(AttemptRow, AttemptRow.id == last)
        .where(MessageRow.club_id == club_id)
    )


def _listed(session: Session, found: Select[tuple[object, ...]]) -> list[Listed]:
    count = len(_MESSAGE)
    return [Listed(Message(*row[:count]), *row[count:]) for row in session.execute(found)]  # type: ignore[arg-type]


def receipts_of(session: Session, message_id: str) -> list[Receipt]:
    """The receipts for a message, in the order in which they came."""
    row = ReceiptRow
    found = select(*(getattr(row, field.name) for field in fields(Receipt))).where(row.message_id == message_id)
    return [Receipt(*values) for values in session.execute(found.order_by(row.id))]


def queued_at(session: Session, club_id: str, phone: str, step: str) -> list[datetime]:
    """When messages of no dive, of steps that begin so, were queued for a phone, the first first."""
    row = MessageRow
    found = select(row.queued_at).where(
        row.club_id == club_id, row.dive_id.is_(None), row.phone == phone, row.step.startswith(step, autoescape=True)
    )
    return list(session.execute(found.order_by(row.queued_at)).scalars())


def count_since(session: Session, club_id: str, step: str, since: datetime) -> int:
    """How many messages of no dive, of steps that begin so, a club queued since that instant."""
    row = MessageRow
    found = select(func.count()).where(
        row.club_id == club_id,
        row.dive_id.is_(None),
        row.step.startswith(step, autoescape=True),
        row.queued_at >= since,
    )
    return session.execute(found).scalar_one()
