"""Searching the log, erasing what is past its time, and keeping a dive from that.

Revision ID: 0016
Revises: 0015
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import INSTANT, TEXT, maybe

revision = "0016"
down_revision = "0015"
branch_labels = None
depends_on = None

_TO_ERASE = sa.text("closed_at IS NOT NULL AND erased_at IS NULL AND kept_at IS NULL")
_NOT_ERASED = sa.text("sender <> ''")


def upgrade() -> None:
    for column in (*maybe(INSTANT, "erased_at", "kept_at"), *maybe(TEXT, "kept_by", "kept_reason")):
        op.add_column("dives", column)
    op.create_index("ix_dives_club_id_reference", "dives", ["club_id", "reference", "filed_at"])
    op.create_index(
        "ix_dives_to_erase",
        "dives",
        ["club_id", "closed_at"],
        sqlite_where=_TO_ERASE,
        postgresql_where=_TO_ERASE,
    )
    op.create_index(
        "ix_inbound_texts_to_erase",
        "inbound_texts",
        ["receiver", "received_at"],
        sqlite_where=_NOT_ERASED,
        postgresql_where=_NOT_ERASED,
    )
    op.create_index("ix_log_entries_club_id_at_id", "log_entries", ["club_id", "at", "id"])
    op.create_index("ix_log_entries_club_id_kind_at_id", "log_entries", ["club_id", "kind", "at", "id"])


def downgrade() -> None:
    op.drop_index("ix_log_entries_club_id_kind_at_id", "log_entries")
    op.drop_index("ix_log_entries_club_id_at_id", "log_entries")
    op.drop_index("ix_inbound_texts_to_erase", "inbound_texts")
    op.drop_index("ix_dives_to_erase", "dives")
    op.drop_index("ix_dives_club_id_reference", "dives")
    for name in ("kept_reason", "kept_by", "kept_at", "erased_at"):
        op.drop_column("dives", name)
