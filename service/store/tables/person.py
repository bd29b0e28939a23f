"""The people of a club, those about to join it, lists about to be imported, and who is to be erased."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, Index, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base, Json


class PersonRow(Base):
    """Somebody the club knows. `usual_contacts` is a list of {"name", "phone", "email"?, "language"?, "ways"?}.

    `joined` says how they came in: desk, import, or self. `verified_at`: when a text from that phone proved it.
    `consent_at`: when they agreed that the club keeps this.
    """

    __tablename__ = "people"
    __table_args__ = (UniqueConstraint("club_id", "phone"),)

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"))
    name: Mapped[str]
    phone: Mapped[str]
    usual_contacts: Mapped[list[Json]]
    language: Mapped[str | None]
    notes: Mapped[str | None]
    joined: Mapped[str | None]
    added_at: Mapped[datetime | None]
    verified_at: Mapped[datetime | None]
    consent_at: Mapped[datetime | None]


class JoinRow(Base):
    """Somebody who has filled in the form and not yet proved their phone. Gone when proved, or soon after it is over.

    `code_hash` is of the code that they text to us, `sent_hash` of the one that was texted to `sent_to`.
    """

    __tablename__ = "joins"
    __table_args__ = (Index("ix_joins_club_id_created_at", "club_id", "created_at"),)

    token_hash: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"))
    code_hash: Mapped[str]
    created_at: Mapped[datetime]
    name: Mapped[str]
    language: Mapped[str]
    usual_contacts: Mapped[list[Json]]
    sent_hash: Mapped[str | None]
    sent_to: Mapped[str | None]
    sent_at: Mapped[datetime | None]
    tries: Mapped[int]
    proved_phone: Mapped[str | None]
    proved_at: Mapped[datetime | None]


class PeopleImportRow(Base):
    """A list that an admin has looked at and not yet confirmed; one for each admin."""

    __tablename__ = "people_imports"

    admin_id: Mapped[str] = mapped_column(ForeignKey("admins.id"), primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"))
    content: Mapped[str]
    created_at: Mapped[datetime]


class ErasureRow(Base):
    """Somebody who is to be forgotten. `phone` and `name` are null once all is done."""

    __tablename__ = "erasures"

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"))
    phone: Mapped[str | None]
    name: Mapped[str | None]
    asked_by: Mapped[str]
    asked_at: Mapped[datetime]
    done_at: Mapped[datetime | None]
