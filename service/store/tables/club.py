"""The club, its admins and the tokens of its scripts."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Json


class ClubRow(Base):
    """The tenant. `grace` holds only what differs from the defaults; `settings` what everybody may see.

    `canary_number`: a phone of the club to which one marked dive a day goes from text to stand-down.
    """

    __tablename__ = "clubs"

    id: Mapped[str] = mapped_column(primary_key=True)
    name: Mapped[str]
    country: Mapped[str]
    zone: Mapped[str]
    receiving_number: Mapped[str] = mapped_column(unique=True)
    rescue_call: Mapped[str]
    grace: Mapped[Json | None]
    settings: Mapped[Json]
    canary_number: Mapped[str | None]


class AdminRow(Base):
    """Somebody at the club's desk; `role` says what they may do there. `email` is kept in lower case."""

    __tablename__ = "admins"

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"), index=True)
    name: Mapped[str]
    email: Mapped[str] = mapped_column(unique=True)
    phone: Mapped[str | None]
    password_hash: Mapped[str]
    created_at: Mapped[datetime]
    disabled_at: Mapped[datetime | None]
    # With a default in the database, so that a process of the version before can still add admins.
    role: Mapped[str] = mapped_column(server_default="owner")


class AdminSessionRow(Base):
    """An admin signed in on one browser; only the hash of its cookie is kept. `browser`: what it calls itself."""

    __tablename__ = "admin_sessions"

    token_hash: Mapped[str] = mapped_column(primary_key=True)
    admin_id: Mapped[str] = mapped_column(ForeignKey("admins.id"), index=True)
    created_at: Mapped[datetime]
    seen_at: Mapped[datetime]
    ends_at: Mapped[datetime]
    browser: Mapped[str | None]


class ApiTokenRow(Base):
    """A bearer token of the API; only its hash is kept."""

    __tablename__ = "api_tokens"

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"), index=True)
    name: Mapped[str]
    token_hash: Mapped[str] = mapped_column(unique=True)
    created_at: Mapped[datetime]
    revoked_at: Mapped[datetime | None]
