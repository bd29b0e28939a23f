"""Exercises that a club runs, and the dives of each."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, Index, text
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base

_OPEN = "ended_at IS NULL"


class DrillRow(Base):
    """One exercise, at a site or with all contacts of a `whole_club`. It ends by itself at `ends_at`.

    `ending`: why it is to end, from the moment that this is known; `ended_at`: all that can be ended has been.
    `tries`: how often some of its dives could not be ended. `left_open`: how many were given up.
    """

    __tablename__ = "drills"
    __table_args__ = (
        # One at a time: two exercises in a club would tell the same people two things.
        Index("uq_drills_open", "club_id", unique=True, sqlite_where=text(_OPEN), postgresql_where=text(_OPEN)),
        # A sweep asks each second whether there is one at all.
        Index("ix_drills_open", "started_at", sqlite_where=text(_OPEN), postgresql_where=text(_OPEN)),
        Index("ix_drills_club_id_started_at", "club_id", "started_at"),
    )

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"))
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"))
    site_name: Mapped[str]
    whole_club: Mapped[bool]
    started_at: Mapped[datetime]
    started_by: Mapped[str]
    ends_at: Mapped[datetime]
    ending: Mapped[str | None]
    ending_by: Mapped[str | None]
    ended_at: Mapped[datetime | None]
    tries: Mapped[int]
    left_open: Mapped[int]


class DrillDiveRow(Base):
    """A dive of an exercise; `number` is its place, from 1."""

    __tablename__ = "drill_dives"

    dive_id: Mapped[str] = mapped_column(ForeignKey("dives.id"), primary_key=True)
    drill_id: Mapped[str] = mapped_column(ForeignKey("drills.id"), index=True)
    number: Mapped[int]
