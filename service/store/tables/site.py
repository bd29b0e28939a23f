"""Places to dive and their points."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Json, Number


class SiteRow(Base):
    """A site of a club. Positions are WGS 84 decimal degrees; `code` is in capitals."""

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
    access: Mapped[str | None]
    notes: Mapped[str | None]
    grace: Mapped[Json | None]
    retired_at: Mapped[datetime | None]


class SitePointRow(Base):
    """A point of a site. `kind` is entry, exit, vehicle_access, parking, meeting or hazard."""

    __tablename__ = "site_points"

    id: Mapped[Number]
    site_id: Mapped[str] = mapped_column(ForeignKey("sites.id"), index=True)
    kind: Mapped[str]
    name: Mapped[str]
    lat: Mapped[float | None]
    lon: Mapped[float | None]
    notes: Mapped[str | None]
