"""The dive, the phones and codes that lead to it, the links to its pages, and the keys of what scripts did to it."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import ForeignKey, Index, UniqueConstraint, text
from sqlalchemy.orm import Mapped, mapped_column

from service.store.tables.base import Base

TO_ERASE = "closed_at IS NOT NULL AND erased_at IS NULL AND kept_at IS NULL"


class DiveRow(Base):
    """One dive: `state` is the whole fold as JSON, and the rest is what queries need.

    The plain columns also serve the plainest alarm, when `state` cannot be read. `erased_at`: its personal detail is
    gone. `kept_at`, by whom and why: it must not be erased.
    """

    __tablename__ = "dives"
    __table_args__ = (
        UniqueConstraint("club_id", "request_key"),
        # Thousands of armed dives must cost an idle sweep nothing, so only what has a next moment is indexed.
        Index(
            "ix_dives_next_due_at",
            "next_due_at",
            sqlite_where=text("next_due_at IS NOT NULL"),
            postgresql_where=text("next_due_at IS NOT NULL"),
        ),
        Index("ix_dives_club_id_filed_at", "club_id", "filed_at"),
        Index("ix_dives_club_id_closed_at", "club_id", "closed_at"),
        Index("ix_dives_club_id_reference", "club_id", "reference", "filed_at"),
        # What is neither erased nor kept on somebody's word: all that retention ever has to look at.
        Index(
            "ix_dives_to_erase",
            "club_id",
            "closed_at",
            sqlite_where=text(TO_ERASE),
            postgresql_where=text(TO_ERASE),
        ),
    )

    id: Mapped[str] = mapped_column(primary_key=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"))
    club_name: Mapped[str]
    site_id: Mapped[str | None] = mapped_column(ForeignKey("sites.id"))
    site_name: Mapped[str]
    zone: Mapped[str]
    rescue_call: Mapped[str]
    receiving_number: Mapped[str]
    reference: Mapped[str]
    phase: Mapped[str]
    outcome: Mapped[str | None]
    filed_at: Mapped[datetime]
    started_at: Mapped[datetime | None]
    due_out_at: Mapped[datetime | None]
    raise_by_at: Mapped[datetime | None]
    next_due_at: Mapped[datetime | None]
    closed_at: Mapped[datetime | None]
    version: Mapped[int]
    state: Mapped[str]
    head_count: Mapped[int]
    lead_name: Mapped[str]
    drill: Mapped[bool]
    request_key: Mapped[str | None]
    erased_at: Mapped[datetime | None]
    kept_at: Mapped[datetime | None]
    kept_by: Mapped[str | None]
    kept_reason: Mapped[str | None]


class DivePhoneRow(Base):
    """A phone of a dive and whose it is there. Open while `closed_at` is null."""

    __tablename__ = "dive_phones"
    __table_args__ = (Index("ix_dive_phones_receiving_number_phone", "receiving_number", "phone"),)

    dive_id: Mapped[str] = mapped_column(ForeignKey("dives.id"), primary_key=True)
    key: Mapped[str] = mapped_column(primary_key=True)
    role: Mapped[str]
    name: Mapped[str]
    receiving_number: Mapped[str]
    phone: Mapped[str]
    closed_at: Mapped[datetime | None]


class DiveCodeRow(Base):
    """A code of a dive. `kind` is start or finish; among the live ones of a receiving number it is unique."""

    __tablename__ = "dive_codes"
    __table_args__ = (
        Index("ix_dive_codes_receiving_number_code", "receiving_number", "code"),
        Index(
            "uq_dive_codes_live",
            "receiving_number",
            "code",
            unique=True,
            sqlite_where=text("live = 1"),
            postgresql_where=text("live"),
        ),
    )

    dive_id: Mapped[str] = mapped_column(ForeignKey("dives.id"), primary_key=True)
    kind: Mapped[str] = mapped_column(primary_key=True)
    receiving_number: Mapped[str]
    code: Mapped[str]
    live: Mapped[bool]


class LinkRow(Base):
    """A page of one person for one dive; only the hash of its token is kept. `kind` is dive, alarm or handover."""

    __tablename__ = "links"

    token_hash: Mapped[str] = mapped_column(primary_key=True)
    dive_id: Mapped[str] = mapped_column(ForeignKey("dives.id"), index=True)
    club_id: Mapped[str] = mapped_column(ForeignKey("clubs.id"))
    person_key: Mapped[str]
    kind: Mapped[str]
    created_at: Mapped[datetime]


class DeedKeyRow(Base):
    """Under which key a script did a deed to a dive, so that the same request sent again is known.

    `key` begins with whose it is. `asked` is a hash of all that was asked. It goes with the detail of its dive.
    """

    __tablename__ = "deed_keys"

    dive_id: Mapped[str] = mapped_column(ForeignKey("dives.id"), primary_key=True)
    key: Mapped[str] = mapped_column(primary_key=True)
    deed: Mapped[str]
    asked: Mapped[str]
    done_at: Mapped[datetime]
