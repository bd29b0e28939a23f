"""What a site and its points are like, and its tides.

Revision ID: 0004
Revises: 0003
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import BOOLEAN, DOUBLE, INSTANT, INTEGER, JSON, TEXT, given, maybe

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for column in (*maybe(TEXT, "non_emergency_call"), *maybe(JSON, "current", "shoreline")):
        op.add_column("sites", column)
    for column in (*maybe(INTEGER, "ease"), *maybe(JSON, "window")):
        op.add_column("site_points", column)
    op.add_column("site_points", sa.Column("vehicles", BOOLEAN, server_default=sa.false(), nullable=False))
    op.create_table(
        "tidal_extremes",
        *given(TEXT, "site_id"),
        *given(INSTANT, "at"),
        *given(DOUBLE, "height_m"),
        *given(BOOLEAN, "high"),
        sa.ForeignKeyConstraint(["site_id"], ["sites.id"], name="fk_tidal_extremes_site_id"),
        sa.PrimaryKeyConstraint("site_id", "at", name="pk_tidal_extremes"),
    )


def downgrade() -> None:
    op.drop_table("tidal_extremes")
    # The version before does not know this kind, and could not read the site.
    op.execute("DELETE FROM site_points WHERE kind = 'signal'")
    for name in ("vehicles", "window", "ease"):
        op.drop_column("site_points", name)
    for name in ("shoreline", "current", "non_emergency_call"):
        op.drop_column("sites", name)
