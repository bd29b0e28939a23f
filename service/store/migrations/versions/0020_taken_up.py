"""How often a message was sent anew after a receipt had said that it failed.

Revision ID: 0020
Revises: 0019
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import INTEGER

revision = "0020"
down_revision = "0019"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("messages", sa.Column("taken_up", INTEGER, nullable=False, server_default="0"))


def downgrade() -> None:
    op.drop_column("messages", "taken_up")
