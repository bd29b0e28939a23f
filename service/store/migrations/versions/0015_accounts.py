"""Invitations, second factors, known browsers and board screens.

Revision ID: 0015
Revises: 0014
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import INSTANT, INTEGER, TEXT, given, maybe

revision = "0015"
down_revision = "0014"
branch_labels = None
depends_on = None

TABLES = ("admin_invitations", "second_factors", "recovery_codes", "second_steps", "known_browsers", "board_screens")


def upgrade() -> None:
    op.add_column("admin_sessions", sa.Column("browser", TEXT, nullable=True))
    _invitations()
    _second_factors()
    _browsers()
    _board_screens()


def downgrade() -> None:
    for table in reversed(TABLES):
        op.drop_table(table)  # its indexes go with it
    op.drop_column("admin_sessions", "browser")


def _invitations() -> None:
    op.create_table(
        "admin_invitations",
        *given(TEXT, "id", "club_id", "email", "role", "token_hash", "invited_by"),
        *given(INSTANT, "created_at", "ends_at"),
        *maybe(INSTANT, "accepted_at", "revoked_at"),
        sa.PrimaryKeyConstraint("id", name="pk_admin_invitations"),
        sa.UniqueConstraint("token_hash", name="uq_admin_invitations_token_hash"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_admin_invitations_club_id"),
    )
    op.create_index("ix_admin_invitations_club_id", "admin_invitations", ["club_id"])


def _second_factors() -> None:
    op.create_table(
        "second_factors",
        *given(TEXT, "admin_id", "sealed"),
        *given(INSTANT, "created_at"),
        *maybe(INSTANT, "confirmed_at"),
        *given(INTEGER, "last_step", "tries"),
        *maybe(INSTANT, "tries_since_at"),
        sa.PrimaryKeyConstraint("admin_id", name="pk_second_factors"),
        sa.ForeignKeyConstraint(["admin_id"], ["admins.id"], name="fk_second_factors_admin_id"),
    )
    op.create_table(
        "recovery_codes",
        *given(TEXT, "id", "admin_id"),
        *given(INTEGER, "number"),
        *given(TEXT, "code_hash"),
        *maybe(INSTANT, "used_at"),
        sa.PrimaryKeyConstraint("id", name="pk_recovery_codes"),
        sa.UniqueConstraint("admin_id", "number", name="uq_recovery_codes_admin_id_number"),
        sa.ForeignKeyConstraint(["admin_id"], ["admins.id"], name="fk_recovery_codes_admin_id"),
    )
    op.create_table(
        "second_steps",
        *given(TEXT, "token_hash", "admin_id"),
        *given(INSTANT, "ends_at"),
        sa.PrimaryKeyConstraint("token_hash", name="pk_second_steps"),
        sa.ForeignKeyConstraint(["admin_id"], ["admins.id"], name="fk_second_steps_admin_id"),
    )
    op.create_index("ix_second_steps_admin_id", "second_steps", ["admin_id"])


def _browsers() -> None:
    op.create_table(
        "known_browsers",
        *given(TEXT, "token_hash", "admin_id"),
        *given(INSTANT, "ends_at"),
        *given(INTEGER, "tries"),
        *maybe(INSTANT, "tries_since_at"),
        sa.PrimaryKeyConstraint("token_hash", name="pk_known_browsers"),
        sa.ForeignKeyConstraint(["admin_id"], ["admins.id"], name="fk_known_browsers_admin_id"),
    )
    op.create_index("ix_known_browsers_admin_id", "known_browsers", ["admin_id"])


def _board_screens() -> None:
    op.create_table(
        "board_screens",
        *given(TEXT, "id", "club_id", "name", "link_hash"),
        *given(INSTANT, "link_ends_at"),
        *maybe(TEXT, "cookie_hash"),
        *given(TEXT, "made_by"),
        *given(INSTANT, "created_at"),
        *maybe(INSTANT, "opened_at", "seen_at", "revoked_at"),
        sa.PrimaryKeyConstraint("id", name="pk_board_screens"),
        sa.UniqueConstraint("link_hash", name="uq_board_screens_link_hash"),
        sa.UniqueConstraint("cookie_hash", name="uq_board_screens_cookie_hash"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_board_screens_club_id"),
    )
    op.create_index("ix_board_screens_club_id", "board_screens", ["club_id"])
