"""By which ways a person was told the same thing."""

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
