"""Clubs, sites and dives.

Revision ID: 0001
Revises: nothing
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import (
    BOOLEAN,
    DOUBLE,
    INSTANT,
    INTEGER,
    JSON,
    NUMBER,
    TEXT,
    given,
    maybe,
)

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    _clubs()
    _sites()
    _dives()
    _ways_to_dives()


def downgrade() -> None:
    for table in (
        "links",
        "dive_codes",
        "dive_phones",
        "dives",
        "site_points",
        "sites",
        "people",
        "api_tokens",
        "admins",
        "clubs",
    ):
        op.drop_table(table)  # its indexes go with it


def _clubs() -> None:
    op.create_table(
        "clubs",
        *given(TEXT, "id", "name", "country", "zone", "receiving_number", "rescue_call"),
        *maybe(JSON, "grace"),
        *given(JSON, "settings"),
        sa.PrimaryKeyConstraint("id", name="pk_clubs"),
        sa.UniqueConstraint("receiving_number", name="uq_clubs_receiving_number"),
    )
    op.create_table(
        "admins",
        *given(TEXT, "id", "club_id", "name", "email"),
        *maybe(TEXT, "phone"),
        *given(TEXT, "password_hash"),
        *given(INSTANT, "created_at"),
        *maybe(INSTANT, "disabled_at"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_admins_club_id"),
        sa.PrimaryKeyConstraint("id", name="pk_admins"),
        sa.UniqueConstraint("email", name="uq_admins_email"),
    )
    op.create_index("ix_admins_club_id", "admins", ["club_id"], unique=False)
    op.create_table(
        "api_tokens",
        *given(TEXT, "id", "club_id", "name", "token_hash"),
        *given(INSTANT, "created_at"),
        *maybe(INSTANT, "revoked_at"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_api_tokens_club_id"),
        sa.PrimaryKeyConstraint("id", name="pk_api_tokens"),
        sa.UniqueConstraint("token_hash", name="uq_api_tokens_token_hash"),
    )
    op.create_index("ix_api_tokens_club_id", "api_tokens", ["club_id"], unique=False)
    op.create_table(
        "people",
        *given(TEXT, "id", "club_id", "name", "phone"),
        *given(JSON, "usual_contacts"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_people_club_id"),
        sa.PrimaryKeyConstraint("id", name="pk_people"),
        sa.UniqueConstraint("club_id", "phone", name="uq_people_club_id_phone"),
    )


def _sites() -> None:
    op.create_table(
        "sites",
        *given(TEXT, "id", "club_id", "code", "name"),
        *given(JSON, "aliases"),
        *given(TEXT, "zone"),
        *given(DOUBLE, "lat", "lon"),
        *given(TEXT, "rescue_call"),
        *maybe(TEXT, "access", "notes"),
        *maybe(JSON, "grace"),
        *maybe(INSTANT, "retired_at"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_sites_club_id"),
        sa.PrimaryKeyConstraint("id", name="pk_sites"),
        sa.UniqueConstraint("club_id", "code", name="uq_sites_club_id_code"),
    )
    op.create_table(
        "site_points",
        *given(NUMBER, "id"),
        *given(TEXT, "site_id", "kind", "name"),
        *maybe(DOUBLE, "lat", "lon"),
        *maybe(TEXT, "notes"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_site_points_site_id"),
        sa.PrimaryKeyConstraint("id", name="pk_site_points"),
    )
    op.create_index("ix_site_points_site_id", "site_points", ["site_id"], unique=False)


def _dives() -> None:
    op.create_table(
        "dives",
        *given(TEXT, "id", "club_id", "club_name"),
        *maybe(TEXT, "site_id"),
        *given(TEXT, "site_name", "zone", "rescue_call", "receiving_number", "reference", "phase"),
        *maybe(TEXT, "outcome"),
        *given(INSTANT, "filed_at"),
        *maybe(INSTANT, "started_at", "due_out_at", "raise_by_at", "next_due_at", "closed_at"),
        *given(INTEGER, "version"),
        *given(TEXT, "state"),
        *given(INTEGER, "head_count"),
        *given(TEXT, "lead_name"),
        *given(BOOLEAN, "drill"),
        *maybe(TEXT, "request_key"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_dives_club_id"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_dives_site_id"),
        sa.PrimaryKeyConstraint("id", name="pk_dives"),
        sa.UniqueConstraint("club_id", "request_key", name="uq_dives_club_id_request_key"),
    )
    op.create_index("ix_dives_club_id_filed_at", "dives", ["club_id", "filed_at"], unique=False)
    op.create_index(
        "ix_dives_next_due_at",
        "dives",
        ["next_due_at"],
        unique=False,
        sqlite_where=sa.text("next_due_at IS NOT NULL"),
        postgresql_where=sa.text("next_due_at IS NOT NULL"),
    )


def _ways_to_dives() -> None:
    op.create_table(
        "dive_phones",
        *given(TEXT, "dive_id", "key", "role", "name", "receiving_number", "phone"),
        *maybe(INSTANT, "closed_at"),
        sa.ForeignKeyConstraint(["dive_id"], ["dives.id"], name="fk_dive_phones_dive_id"),
        sa.PrimaryKeyConstraint("dive_id", "key", name="pk_dive_phones"),
    )
    op.create_index("ix_dive_phones_receiving_number_phone", "dive_phones", ["receiving_number", "phone"], unique=False)
    op.create_table(
        "dive_codes",
        *given(TEXT, "dive_id", "kind", "receiving_number", "code"),
        *given(BOOLEAN, "live"),
        sa.ForeignKeyConstraint(["dive_id"], ["dives.id"], name="fk_dive_codes_dive_id"),
        sa.PrimaryKeyConstraint("dive_id", "kind", name="pk_dive_codes"),
    )
    op.create_index("ix_dive_codes_receiving_number_code", "dive_codes", ["receiving_number", "code"], unique=False)
    op.create_index(
        "uq_dive_codes_live",
        "dive_codes",
        ["receiving_number", "code"],
        unique=True,
        sqlite_where=sa.text("live = 1"),
        postgresql_where=sa.text("live"),
    )
    op.create_table(
        "links",
        *given(TEXT, "token_hash", "dive_id", "club_id", "person_key", "kind"),
        *given(INSTANT, "created_at"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_links_club_id"),
        sa.ForeignKeyConstraint(["dive_id"], ["dives.id"], name="fk_links_dive_id"),
        sa.PrimaryKeyConstraint("token_hash", name="pk_links"),
    )
    op.create_index("ix_links_dive_id", "links", ["dive_id"], unique=False)
