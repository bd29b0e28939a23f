"""The outbox: messages, the attempts to hand them over, and the receipts for them."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, Index, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Json, Number

_UNCONFIRMED = {
    "sqlite": "state = 'handed' AND receipt_checked = 0 AND priority <= 1",
    "postgresql": "state = 'handed' AND NOT receipt_checked AND priority <= 1",
}
WAITING = "state IN ('queued', 'leased')"
CALM, BY_EMAIL = "(priority > 2)", "(channel = 'email')"
EXPIRING = f"{WAITING} AND expires_at IS NOT NULL"
BESIDE_DIVES = "priority IN (4, 6)"  # answers, introductions and the rest: of what is sent, all that can be bounded


class MessageRow(Base):
    """One message to one person, with one unique cause, so that no path can queue it twice.

    `priority` runs from 0 (distress) to 6; `rank` is the person's place in the order of contacts; `due_at` is
    when its step was due; `cause_seq` is the log entry that caused it. `in_flight`: an attempt has begun and
    has not ended.
    """

    __tablename__ = "messages"
    __table_args__ = (
        UniqueConstraint("dive_id", "step", "person_key", "channel"),
        # Nulls are distinct in a unique constraint, so what belongs to no dive needs one of its own.
        Index(
            "uq_messages_without_dive",
            "club_id",
            "step",
            "person_key",
            "channel",
            unique=True,
            sqlite_where=text("dive_id IS NULL"),
            postgresql_where=text("dive_id IS NULL"),
        ),
        # Else each claim would sort all that waits: in a storm that costs more than everything else together.
        Index(
            "ix_messages_in_turn",
            *(text(CALM), text(BY_EMAIL)),
            *("priority", "rank", "due_at", "queued_at", "id"),
            sqlite_where=text(WAITING),
            postgresql_where=text(WAITING),
        ),
        Index("ix_messages_handed_gateway_provider_id", "handed_gateway", "provider_id"),
        Index(
            "ix_messages_unconfirmed",
            "handed_at",
            sqlite_where=text(_UNCONFIRMED["sqlite"]),
            postgresql_where=text(_UNCONFIRMED["postgresql"]),
        ),
        Index(
            "ix_messages_expiring",
            "expires_at",
            sqlite_where=text(EXPIRING),
            postgresql_where=text(EXPIRING),
        ),
        Index(
            "ix_messages_beside_dives",
            *("club_id", "queued_at"),
            sqlite_where=text(BESIDE_DIVES),
            postgresql_where=text(BESIDE_DIVES),
        ),
    )

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"))
    dive_id: Mapped[str | None] = mapped_column(ForeignKey("dives.id"))
    person_key: Mapped[str]
    name: Mapped[str]
    phone: Mapped[str]
    email: Mapped[str | None]
    channel: Mapped[str]
    language: Mapped[str] = mapped_column(server_default="en")
    kind: Mapped[str]
    priority: Mapped[int]
    rank: Mapped[int]
    step: Mapped[str]
    subject: Mapped[str | None]
    body: Mapped[str]
    segments: Mapped[int]
    state: Mapped[str]
    cause_seq: Mapped[int | None]
    queued_at: Mapped[datetime]
    due_at: Mapped[datetime]
    not_before_at: Mapped[datetime]
    expires_at: Mapped[datetime | None]
    lease_owner: Mapped[str | None]
    lease_until_at: Mapped[datetime | None]
    in_flight: Mapped[bool]
    attempts: Mapped[int]
    handed_at: Mapped[datetime | None]
    handed_gateway: Mapped[str | None]
    provider_id: Mapped[str | None]
    delivered_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]  # when it failed or expired
    failed_reason: Mapped[str | None]
    receipt_checked: Mapped[bool]
    receipt_within_s: Mapped[int] = mapped_column(server_default="120")  # after that no receipt is as no answer
    taken_up: Mapped[int] = mapped_column(server_default="0")  # how often it was sent anew after it had failed


class AttemptRow(Base):
    """One try to hand a message to one gateway; written before the call, ended after it."""

    __tablename__ = "attempts"
    __table_args__ = (
        Index("ix_attempts_gateway_provider_id", "gateway", "provider_id"),
        Index("ix_attempts_started_at", "started_at"),
    )

    id: Mapped[Number]
    message_id: Mapped[str] = mapped_column(ForeignKey("messages.id"), index=True)
    gateway: Mapped[str]
    carried_by: Mapped[str]
    started_at: Mapped[datetime]
    ended_at: Mapped[datetime | None]
    outcome: Mapped[str | None]
    code: Mapped[str | None]
    detail: Mapped[str | None]
    provider_id: Mapped[str | None]


class ReceiptRow(Base):
    """A delivery receipt as it came. `message_id` is null until we know whose it is."""

    __tablename__ = "receipts"
    __table_args__ = (
        Index("ix_receipts_gateway_provider_id", "gateway", "provider_id"),
        Index(
            "ix_receipts_strays",
            "received_at",
            sqlite_where=text("message_id IS NULL"),
            postgresql_where=text("message_id IS NULL"),
        ),
    )

    id: Mapped[Number]
    gateway: Mapped[str]
    provider_id: Mapped[str]
    state: Mapped[str]
    code: Mapped[str | None]
    blame: Mapped[str | None]  # the gateway's reading of the code, as in service.operations.gateway
    raw: Mapped[Json]
    received_at: Mapped[datetime]
    message_id: Mapped[str | None] = mapped_column(ForeignKey("messages.id"), index=True)
