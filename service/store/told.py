"""Who was told something, and by which ways."""

from __future__ import annotations

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.outbox import DELIVERED, HANDED, Message
from service.store.tables import MessageRow


def went_by(session: Session, message: Message, channel: str) -> bool:
    """Whether what this message says was handed over to the same person by that channel."""
    row = MessageRow
    found = select(row.id).where(
        row.dive_id == message.dive_id,
        row.step == message.step,
        row.person_key == message.person_key,
        row.channel == channel,
        row.state.in_((HANDED, DELIVERED)),
    )
    return session.execute(found.limit(1)).first() is not None


def told_of(session: Session, dive_id: str, prefix: str) -> list[tuple[str, str, str]]:
    """Key, name and phone of those with such keys for whom there are messages of a dive, as of the last to each."""
    row = MessageRow
    found = select(row.person_key, row.name, row.phone).where(
        row.dive_id == dive_id, row.person_key.startswith(prefix, autoescape=True)
    )
    return list(
        {key: (key, name, phone) for key, name, phone in session.execute(found.order_by(row.queued_at))}.values()
    )
