"""Texts that came in, wrong codes, and phones that opted out."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import BigInteger, ForeignKey, Index, Integer, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Json, Number


class InboundTextRow(Base):
    """One text as a gateway brought it; `sender` is empty once it is erased.

    `state` is stored, answered, quarantined, or same for one that doubles another.

    A provider's id is unique among the authentic ones and among the others: a forged or mis-signed copy
    must not make the real text look like a duplicate.
    """

    __tablename__ = "inbound_texts"
    __table_args__ = (
        UniqueConstraint("gateway", "provider_id", "authentic"),
        Index("ix_inbound_texts_state_received_at", "state", "received_at"),
        Index(
            "ix_inbound_texts_to_erase",
            "receiver",
            "received_at",
            sqlite_where=text("sender <> ''"),
            postgresql_where=text("sender <> ''"),
        ),
    )

    id: Mapped[Number]
    gateway: Mapped[str]
    provider_id: Mapped[str]
    sender: Mapped[str]
    receiver: Mapped[str]
    body: Mapped[str]
    raw: Mapped[Json]
    received_at: Mapped[datetime]
    authentic: Mapped[bool]
    state: Mapped[str]
    tries: Mapped[int]
    answered_at: Mapped[datetime | None]
    club_id: Mapped[str | None] = mapped_column(ForeignKey("clubs.id"))
    dive_id: Mapped[str | None] = mapped_column(ForeignKey("dives.id"), index=True)
    intent: Mapped[str | None]
    note: Mapped[str | None]
    same_as: Mapped[int | None] = mapped_column(BigInteger().with_variant(Integer, "sqlite"))  # another gateway was it


class InboundPartRow(Base):
    """One part of a long text, until all are here. `inbound_id` is the whole text that it went into."""

    __tablename__ = "inbound_parts"
    __table_args__ = (
        UniqueConstraint("gateway", "provider_id"),
        Index("ix_inbound_parts_inbound_id_received_at", "inbound_id", "received_at"),
    )

    id: Mapped[Number]
    gateway: Mapped[str]
    provider_id: Mapped[str]
    sender: Mapped[str]
    receiver: Mapped[str]
    reference: Mapped[str]
    number: Mapped[int]
    of: Mapped[int]
    body: Mapped[str]
    received_at: Mapped[datetime]
    inbound_id: Mapped[int | None] = mapped_column(ForeignKey("inbound_texts.id"))


class WrongCodeRow(Base):
    """A code that opened nothing, so that guessing can be stopped."""

    __tablename__ = "wrong_codes"
    __table_args__ = (Index("ix_wrong_codes_receiving_number_phone_at", "receiving_number", "phone", "at"),)

    id: Mapped[Number]
    phone: Mapped[str]
    receiving_number: Mapped[str]
    at: Mapped[datetime]


class OptOutRow(Base):
    """A phone that told a carrier or us to send nothing. In force while `until_at` is null."""

    __tablename__ = "opt_outs"
    __table_args__ = (Index("ix_opt_outs_receiving_number_phone", "receiving_number", "phone"),)

    id: Mapped[Number]
    phone: Mapped[str]
    receiving_number: Mapped[str]
    at: Mapped[datetime]
    until_at: Mapped[datetime | None]
