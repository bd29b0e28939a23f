"""Under which key a script did a deed to a dive.

Revision ID: 0021
Revises: 0020
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import INSTANT, TEXT, given

revision = "0021"
down_revision = "0020"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "deed_keys",
        *given(TEXT, "dive_id", "key", "deed", "asked"),
        *given(INSTANT, "done_at"),
        sa.PrimaryKeyConstraint("dive_id", "key", name="pk_deed_keys"),
        sa.ForeignKeyConstraint(["dive_id"], ["dives.id"], name="fk_deed_keys_dive_id"),
    )


def downgrade() -> None:
    op.drop_table("deed_keys")
