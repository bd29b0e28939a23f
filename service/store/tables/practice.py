"""The practice phones of the demo and what they sent and got."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import Index
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Number


class PracticeMessageRow(Base):
    """One text, call or e-mail on a practice phone. `direction` is to_phone or from_phone.

    `to_phone` of an e-mail is its address. `answer_url`: where a key that is pressed in a call is posted. `ended`: how
    a call ended; one that has not rings.
    """

    __tablename__ = "practice_messages"
    __table_args__ = (
        Index("ix_practice_messages_to_phone", "to_phone"),
        Index("ix_practice_messages_from_phone", "from_phone"),
    )

    id: Mapped[Number]
    to_phone: Mapped[str]
    from_phone: Mapped[str]
    channel: Mapped[str] = mapped_column(server_default="text")
    subject: Mapped[str | None]
    body: Mapped[str]
    answer_url: Mapped[str | None]
    ended: Mapped[str | None]
    direction: Mapped[str]
    at: Mapped[datetime]
    sid: Mapped[str] = mapped_column(unique=True)
    delivered: Mapped[bool]


class PracticePhoneRow(Base):
    """Whether a practice phone is switched on; one without a row is."""

    __tablename__ = "practice_phones"

    phone: Mapped[str] = mapped_column(primary_key=True)
    on: Mapped[bool]
