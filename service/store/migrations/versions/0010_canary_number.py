"""A phone of the club's own to which one marked dive a day goes.

Revision ID: 0010
Revises: 0009
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import TEXT

revision = "0010"
down_revision = "0009"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("clubs", sa.Column("canary_number", TEXT, nullable=True))


def downgrade() -> None:
    op.drop_column("clubs", "canary_number")
