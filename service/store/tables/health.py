"""Signs of life."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Number


class HeartbeatRow(Base):
    """When a part of the service last did its whole round."""

    __tablename__ = "heartbeats"

    name: Mapped[str] = mapped_column(primary_key=True)
    at: Mapped[datetime]
    detail: Mapped[str | None]


class CanaryRow(Base):
    """A row that travels through broker and worker: a process that is up proves nothing."""

    __tablename__ = "canaries"

    id: Mapped[Number]
    sent_at: Mapped[datetime]
    returned_at: Mapped[datetime | None] = mapped_column(index=True)
