"""Places to dive, their points and their tides."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import JSON, ForeignKey, UniqueConstraint, false
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Json, Number


class SiteRow(Base):
    """A site of a club. Positions are WGS 84 decimal degrees; `code` is in capitals.

    `shoreline` is a list of [lat, lon]; `current` is {"set_deg", "drift_kn"}, the usual one.
    """

    __tablename__ = "sites"
    __table_args__ = (UniqueConstraint("club_id", "code"),)

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"))
    code: Mapped[str]
    name: Mapped[str]
    aliases: Mapped[list[str]]
    zone: Mapped[str]
    lat: Mapped[float]
    lon: Mapped[float]
    rescue_call: Mapped[str]
    non_emergency_call: Mapped[str | None]
    access: Mapped[str | None]
    notes: Mapped[str | None]
    current: Mapped[Json | None]
    shoreline: Mapped[list[list[float]] | None] = mapped_column(JSON(none_as_null=True))
    grace: Mapped[Json | None]
    retired_at: Mapped[datetime | None]


class SitePointRow(Base):
    """A point of a site. `kind` is one of PointKind, `ease` 1 (hard) to 5 (easy), `window` the fields of TideWindow.

    `vehicles`: an emergency vehicle reaches it.
    """

    __tablename__ = "site_points"

    id: Mapped[Number]
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"), index=True)
    kind: Mapped[str]
    name: Mapped[str]
    lat: Mapped[float | None]
    lon: Mapped[float | None]
    ease: Mapped[int | None]
    notes: Mapped[str | None]
    window: Mapped[Json | None]
    # With a default in the database, so that a process of the version before can still add points.
    vehicles: Mapped[bool] = mapped_column(server_default=false())


class TidalExtremeRow(Base):
    """A high or low water at a site, in metres above chart datum."""

    __tablename__ = "tidal_extremes"

    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"), primary_key=True)
    at: Mapped[datetime] = mapped_column(primary_key=True)
    height_m: Mapped[float]
    high: Mapped[bool]
