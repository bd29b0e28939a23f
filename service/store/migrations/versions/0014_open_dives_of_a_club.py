"""Open dives of a club, and those that closed a while ago, are found without reading all that it ever had.

Revision ID: 0014
Revises: 0013
"""

from __future__ import annotations

from alembic import op

revision = "0014"
down_revision = "0013"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index("ix_dives_club_id_closed_at", "dives", ["club_id", "closed_at"])


def downgrade() -> None:
    op.drop_index("ix_dives_club_id_closed_at", table_name="dives")
