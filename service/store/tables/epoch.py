"""The lives of the database."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy.orm import Mapped

from service.store.tables.base import Base, Number


class EpochRow(Base):
    """A life of the database. A new one begins where the database is found to be a copy of itself.

    The first has no times. A later one has when it was found out, how old the copy is, and until when contacts are not
    alerted because the divers are asked; `ended_at` and `ended_by` where an admin ended that before.
    """

    __tablename__ = "epochs"

    id: Mapped[Number]
    identity: Mapped[str]
    began_at: Mapped[datetime | None]
    copied_at: Mapped[datetime | None]
    until_at: Mapped[datetime | None]
    ended_at: Mapped[datetime | None]
    ended_by: Mapped[str | None]
