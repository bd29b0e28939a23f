"""The lives of the database: a copy that was put in the place of another knows it.

Revision ID: 0008
Revises: 0007
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import INSTANT, NUMBER, TEXT, given, maybe

revision = "0008"
down_revision = "0007"
branch_labels = None
depends_on = None

# As service.store.epochs reads it: the numbers that PostgreSQL gave these tables, which a restored copy has not.
IDENTITY = {
    "sqlite": "SELECT 'sqlite'",
    "postgresql": "SELECT string_agg(c.oid::text, '.' ORDER BY c.relname) FROM pg_class c WHERE c.oid IN"
    " ('clubs'::regclass, 'dives'::regclass, 'log_entries'::regclass, 'messages'::regclass)",
}


def upgrade() -> None:
    op.create_table(
        "epochs",
        *given(NUMBER, "id"),
        *given(TEXT, "identity"),
        *maybe(INSTANT, "began_at", "copied_at", "until_at", "ended_at"),
        *maybe(TEXT, "ended_by"),
        sa.PrimaryKeyConstraint("id", name="pk_epochs"),
    )
    op.execute(f"INSERT INTO epochs (identity) {IDENTITY[op.get_bind().dialect.name]}")


def downgrade() -> None:
    op.drop_table("epochs")
