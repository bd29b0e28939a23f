"""No index of messages by their state: it was written three times for each, and a claim has the order of its turns.

Revision ID: 0018
Revises: 0017
"""

from __future__ import annotations

from alembic import op

revision = "0018"
down_revision = "0017"
branch_labels = None
depends_on = None

_NAME = "ix_messages_state_priority_not_before_at"


def upgrade() -> None:
    op.drop_index(_NAME, "messages")


def downgrade() -> None:
    op.create_index(_NAME, "messages", ["state", "priority", "not_before_at"])
