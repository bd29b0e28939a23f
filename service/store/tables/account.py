"""What belongs to accounts: invitations, second factors, known browsers, and the screens in clubhouses."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base


class AdminInvitationRow(Base):
    """A link by which somebody becomes an admin, once; only its hash is kept."""

    __tablename__ = "admin_invitations"

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"), index=True)
    email: Mapped[str]
    role: Mapped[str]
    token_hash: Mapped[str] = mapped_column(unique=True)
    invited_by: Mapped[str]  # the name, as it was then
    created_at: Mapped[datetime]
    ends_at: Mapped[datetime]
    accepted_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]


class SecondFactorRow(Base):
    """The time-based codes of an admin. `sealed` is their secret; not asked for before `confirmed_at`.

    `last_step`: the step of the last code that was taken, so that none is taken twice. `tries` since `tries_since_at`
    are the wrong codes from browsers that nobody knows.
    """

    __tablename__ = "second_factors"

    admin_id: Mapped[str] = mapped_column(ForeignKey("admins.id"), primary_key=True)
    sealed: Mapped[str]
    created_at: Mapped[datetime]
    confirmed_at: Mapped[datetime | None]
    last_step: Mapped[int]
    tries: Mapped[int]
    tries_since_at: Mapped[datetime | None]


class RecoveryCodeRow(Base):
    """A code that does once what a code of the second factor does; `number` is its first character."""

    __tablename__ = "recovery_codes"
    __table_args__ = (UniqueConstraint("admin_id", "number"),)

    id: Mapped[str] = mapped_column(primary_key=True)
    admin_id: Mapped[str] = mapped_column(ForeignKey("admins.id"))
    number: Mapped[int]
    code_hash: Mapped[str]
    used_at: Mapped[datetime | None]


class SecondStepRow(Base):
    """Somebody whose password was right and whose code is waited for; only the hash of the cookie is kept."""

    __tablename__ = "second_steps"

    token_hash: Mapped[str] = mapped_column(primary_key=True)
    admin_id: Mapped[str] = mapped_column(ForeignKey("admins.id"), index=True)
    ends_at: Mapped[datetime]


class KnownBrowserRow(Base):
    """A browser on which an admin has signed in before: what strangers try is not counted against it.

    It opens nothing by itself. `tries` since `tries_since_at` are its own wrong passwords and codes.
    """

    __tablename__ = "known_browsers"

    token_hash: Mapped[str] = mapped_column(primary_key=True)
    admin_id: Mapped[str] = mapped_column(ForeignKey("admins.id"), index=True)
    ends_at: Mapped[datetime]
    tries: Mapped[int]
    tries_since_at: Mapped[datetime | None]


class BoardScreenRow(Base):
    """A screen in a clubhouse that shows the water board and can do nothing else.

    `link_hash` is of the link by which one browser becomes it; `cookie_hash` of what that browser holds since.
    """

    __tablename__ = "board_screens"

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"), index=True)
    name: Mapped[str]
    link_hash: Mapped[str] = mapped_column(unique=True)
    link_ends_at: Mapped[datetime]
    cookie_hash: Mapped[str | None] = mapped_column(unique=True)
    made_by: Mapped[str]  # the name, as it was then
    created_at: Mapped[datetime]
    opened_at: Mapped[datetime | None]
    seen_at: Mapped[datetime | None]
    revoked_at: Mapped[datetime | None]
