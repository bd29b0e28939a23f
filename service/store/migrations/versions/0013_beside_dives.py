"""What a club sends beside its armed dives is counted without reading all of its messages.

Revision ID: 0013
Revises: 0012
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0013"
down_revision = "0012"
branch_labels = None
depends_on = None

_BESIDE = sa.text("priority IN (4, 6)")


def upgrade() -> None:
    op.create_index(
        "ix_messages_beside_dives",
        "messages",
        ["club_id", "queued_at"],
        sqlite_where=_BESIDE,
        postgresql_where=_BESIDE,
    )


def downgrade() -> None:
    op.drop_index("ix_messages_beside_dives", "messages")
