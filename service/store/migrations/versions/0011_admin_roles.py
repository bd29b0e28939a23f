"""What an admin may do. Those who were there before could do everything.

Revision ID: 0011
Revises: 0010
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import TEXT

revision = "0011"
down_revision = "0010"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("admins", sa.Column("role", TEXT, nullable=False, server_default="owner"))


def downgrade() -> None:
    op.drop_column("admins", "role")
