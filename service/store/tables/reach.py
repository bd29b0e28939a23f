"""What is known of the ways to people: the state of each gateway, its canaries, and who has been reached."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Number


class GatewayStateRow(Base):
    """One gateway as all couriers together know it.

    `faults` in a row; it rests until `rests_until_at`, then one courier has the trial until `trial_until_at`.
    `suspect_at`: since when it has taken messages and sent no receipt for any.
    `free_at`: when its sender may send again. `polled_to_at`: up to when its list of inbound texts was read;
    until `poll_until_at` somebody is reading it; `poll_faults` in a row.
    """

    __tablename__ = "gateway_states"

    name: Mapped[str] = mapped_column(primary_key=True)
    faults: Mapped[int]
    reason: Mapped[str | None]
    since_at: Mapped[datetime | None]
    rests_until_at: Mapped[datetime | None]
    trial_until_at: Mapped[datetime | None]
    suspect_at: Mapped[datetime | None]
    free_at: Mapped[datetime | None]
    polled_to_at: Mapped[datetime | None]
    poll_until_at: Mapped[datetime | None]
    poll_faults: Mapped[int | None]


class GatewayCanaryRow(Base):
    """A test message through one gateway, to a number that the club or the operator owns."""

    __tablename__ = "gateway_canaries"

    id: Mapped[Number]
    gateway: Mapped[str] = mapped_column(index=True)
    sent_at: Mapped[datetime]
    outcome: Mapped[str]
    code: Mapped[str | None]
    detail: Mapped[str | None]
    provider_id: Mapped[str | None]
    delivered_at: Mapped[datetime | None]


class ReachRow(Base):
    """What a club knows of one phone: whether its owner agreed to be a contact, and when they were last reached."""

    __tablename__ = "reaches"

    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"), primary_key=True)
    phone: Mapped[str] = mapped_column(primary_key=True)
    asked_at: Mapped[datetime | None]
    agreed_at: Mapped[datetime | None]
    declined_at: Mapped[datetime | None]
    reached_at: Mapped[datetime | None]  # the last receipt of a delivery, or the last word from them
    answered_at: Mapped[datetime | None]  # the last word from them
