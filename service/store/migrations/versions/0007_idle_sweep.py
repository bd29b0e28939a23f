"""What a sweep looks for costs nothing while there is none of it.

Revision ID: 0007
Revises: 0006
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import INTEGER

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None

_UNCONFIRMED = {
    "sqlite": "state = 'handed' AND receipt_checked = 0",
    "postgresql": "state = 'handed' AND NOT receipt_checked",
}
_STRAYS = sa.text("message_id IS NULL")
_EXPIRING = sa.text("state IN ('queued', 'leased') AND expires_at IS NOT NULL")


def upgrade() -> None:
    # What is there already has waited by its dive's own time, which was two minutes unless somebody set another.
    op.add_column("messages", sa.Column("receipt_within_s", INTEGER, nullable=False, server_default="120"))
    # Only alarms are asked about, so the rest would stay in the index for ever.
    _index_unconfirmed(" AND priority <= 1")
    op.create_index(
        "ix_messages_expiring", "messages", ["expires_at"], sqlite_where=_EXPIRING, postgresql_where=_EXPIRING
    )
    op.create_index("ix_receipts_strays", "receipts", ["received_at"], sqlite_where=_STRAYS, postgresql_where=_STRAYS)


def downgrade() -> None:
    op.drop_index("ix_receipts_strays", "receipts")
    op.drop_index("ix_messages_expiring", "messages")
    _index_unconfirmed("")
    op.drop_column("messages", "receipt_within_s")


def _index_unconfirmed(more: str) -> None:
    op.drop_index("ix_messages_unconfirmed", "messages")
    op.create_index(
        "ix_messages_unconfirmed",
        "messages",
        ["handed_at"],
        sqlite_where=sa.text(_UNCONFIRMED["sqlite"] + more),
        postgresql_where=sa.text(_UNCONFIRMED["postgresql"] + more),
    )
