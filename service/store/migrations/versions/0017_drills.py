"""Exercises that a club runs, and the dives of each.

Revision ID: 0017
Revises: 0016
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import BOOLEAN, INSTANT, INTEGER, TEXT, given, maybe

revision = "0017"
down_revision = "0016"
branch_labels = None
depends_on = None

_OPEN = "ended_at IS NULL"


def upgrade() -> None:
    op.create_table(
        "drills",
        *given(TEXT, "id", "club_id", "site_id", "site_name"),
        *given(BOOLEAN, "whole_club"),
        *given(INSTANT, "started_at"),
        *given(TEXT, "started_by"),
        *given(INSTANT, "ends_at"),
        *maybe(TEXT, "ending", "ending_by"),
        *maybe(INSTANT, "ended_at"),
        *given(INTEGER, "tries", "left_open"),
        sa.PrimaryKeyConstraint("id", name="pk_drills"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_drills_club_id"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_drills_site_id"),
    )
    open_ = sa.text(_OPEN)
    for name, column, unique in (("uq_drills_open", "club_id", True), ("ix_drills_open", "started_at", False)):
        op.create_index(name, "drills", [column], unique=unique, sqlite_where=open_, postgresql_where=open_)
    op.create_index("ix_drills_club_id_started_at", "drills", ["club_id", "started_at"])
    op.create_table(
        "drill_dives",
        *given(TEXT, "dive_id", "drill_id"),
        *given(INTEGER, "number"),
        sa.PrimaryKeyConstraint("dive_id", name="pk_drill_dives"),
        sa.ForeignKeyConstraint(["dive_id"], ["dives.id"], name="fk_drill_dives_dive_id"),
        sa.ForeignKeyConstraint(["drill_id"], ["drills.id"], name="fk_drill_dives_drill_id"),
    )
    op.create_index("ix_drill_dives_drill_id", "drill_dives", ["drill_id"])


def downgrade() -> None:
    op.drop_table("drill_dives")
    op.drop_table("drills")
