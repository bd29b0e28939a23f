"""What a failed delivery is to be blamed on, kept with its receipt.

Revision ID: 0005
Revises: 0004
"""

from __future__ import annotations

from alembic import op

from service.store.migrations.columns import TEXT, maybe

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None


def upgrade() -> None:
    for column in maybe(TEXT, "blame"):
        op.add_column("receipts", column)


def downgrade() -> None:
    op.drop_column("receipts", "blame")
