"""A courier finds the next messages without reading all that wait.

Revision ID: 0009
Revises: 0008
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0009"
down_revision = "0008"
branch_labels = None
depends_on = None

_WAITING = sa.text("state IN ('queued', 'leased')")
_CALM, _BY_EMAIL = sa.text("(priority > 2)"), sa.text("(channel = 'email')")
_IN_TURN = (_CALM, _BY_EMAIL, "priority", "rank", "due_at", "queued_at", "id")


def upgrade() -> None:
    op.create_index("ix_messages_in_turn", "messages", [*_IN_TURN], sqlite_where=_WAITING, postgresql_where=_WAITING)


def downgrade() -> None:
    op.drop_index("ix_messages_in_turn", "messages")
