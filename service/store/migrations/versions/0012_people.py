"""More of people: language, notes, how they joined, proof of their phone; joining, importing, erasing.

Revision ID: 0012
Revises: 0011
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import INSTANT, INTEGER, JSON, TEXT, given, maybe

revision = "0012"
down_revision = "0011"
branch_labels = None
depends_on = None

_WORDS = ("language", "notes", "joined")
_INSTANTS = ("added_at", "verified_at", "consent_at")


def upgrade() -> None:
    for column in (*maybe(TEXT, *_WORDS), *maybe(INSTANT, *_INSTANTS)):
        op.add_column("people", column)
    op.create_table(
        "joins",
        *given(TEXT, "token_hash", "club_id", "code_hash"),
        *given(INSTANT, "created_at"),
        *given(TEXT, "name", "language"),
        *given(JSON, "usual_contacts"),
        *maybe(TEXT, "sent_hash", "sent_to"),
        *maybe(INSTANT, "sent_at"),
        *given(INTEGER, "tries"),
        *maybe(TEXT, "proved_phone"),
        *maybe(INSTANT, "proved_at"),
        sa.PrimaryKeyConstraint("token_hash", name="pk_joins"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_joins_club_id"),
    )
    op.create_index("ix_joins_club_id_created_at", "joins", ["club_id", "created_at"])
    op.create_table(
        "people_imports",
        *given(TEXT, "admin_id", "club_id", "content"),
        *given(INSTANT, "created_at"),
        sa.PrimaryKeyConstraint("admin_id", name="pk_people_imports"),
        sa.ForeignKeyConstraint(["admin_id"], ["admins.id"], name="fk_people_imports_admin_id"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_people_imports_club_id"),
    )
    op.create_table(
        "erasures",
        *given(TEXT, "id", "club_id"),
        *maybe(TEXT, "phone", "name"),
        *given(TEXT, "asked_by"),
        *given(INSTANT, "asked_at"),
        *maybe(INSTANT, "done_at"),
        sa.PrimaryKeyConstraint("id", name="pk_erasures"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_erasures_club_id"),
    )


def downgrade() -> None:
    op.drop_table("erasures")
    op.drop_table("people_imports")
    op.drop_index("ix_joins_club_id_created_at", "joins")
    op.drop_table("joins")
    for name in (*_INSTANTS, *_WORDS):
        op.drop_column("people", name)
