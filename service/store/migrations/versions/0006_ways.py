"""Ways to people besides texts, what is known of them, and who is signed in.

Revision ID: 0006
Revises: 0005
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import INSTANT, INTEGER, NUMBER, TEXT, given, maybe

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _messages()
    _inbound()
    _gateways()
    _people()


def downgrade() -> None:
    op.drop_index("ix_attempts_started_at", "attempts")
    for table in ("admin_sessions", "reaches", "gateway_canaries", "gateway_states", "inbound_parts"):
        op.drop_table(table)  # its indexes go with it
    op.drop_column("inbound_texts", "same_as")
    for name in ("channel", "subject", "answer_url", "ended"):
        op.drop_column("practice_messages", name)
    for name in ("email", "language", "subject"):
        op.drop_column("messages", name)


def _messages() -> None:
    for column in maybe(TEXT, "email", "subject"):
        op.add_column("messages", column)
    # What is there already was a text in English; later rows always say.
    op.add_column("messages", sa.Column("language", TEXT, nullable=False, server_default="en"))
    op.add_column("practice_messages", sa.Column("channel", TEXT, nullable=False, server_default="text"))
    for column in maybe(TEXT, "subject", "answer_url", "ended"):
        op.add_column("practice_messages", column)


def _inbound() -> None:
    op.add_column("inbound_texts", sa.Column("same_as", NUMBER, nullable=True))
    op.create_table(
        "inbound_parts",
        *given(NUMBER, "id"),
        *given(TEXT, "gateway", "provider_id", "sender", "receiver", "reference"),
        *given(INTEGER, "number", "of"),
        *given(TEXT, "body"),
        *given(INSTANT, "received_at"),
        *maybe(NUMBER, "inbound_id"),
        sa.PrimaryKeyConstraint("id", name="pk_inbound_parts"),
        sa.UniqueConstraint("gateway", "provider_id", name="uq_inbound_parts_gateway_provider_id"),
        sa.ForeignKeyConstraint(["inbound_id"], ["inbound_texts.id"], name="fk_inbound_parts_inbound_id"),
    )
    op.create_index("ix_inbound_parts_inbound_id_received_at", "inbound_parts", ["inbound_id", "received_at"])


def _gateways() -> None:
    op.create_table(
        "gateway_states",
        *given(TEXT, "name"),
        *given(INTEGER, "faults"),
        *maybe(TEXT, "reason"),
        *maybe(INSTANT, "since_at", "rests_until_at", "trial_until_at", "suspect_at", "free_at", "polled_to_at"),
        *maybe(INSTANT, "poll_until_at"),
        *maybe(INTEGER, "poll_faults"),
        sa.PrimaryKeyConstraint("name", name="pk_gateway_states"),
    )
    op.create_table(
        "gateway_canaries",
        *given(NUMBER, "id"),
        *given(TEXT, "gateway"),
        *given(INSTANT, "sent_at"),
        *given(TEXT, "outcome"),
        *maybe(TEXT, "code", "detail", "provider_id"),
        *maybe(INSTANT, "delivered_at"),
        sa.PrimaryKeyConstraint("id", name="pk_gateway_canaries"),
    )
    op.create_index("ix_gateway_canaries_gateway", "gateway_canaries", ["gateway"])
    op.create_index("ix_attempts_started_at", "attempts", ["started_at"])


def _people() -> None:
    op.create_table(
        "reaches",
        *given(TEXT, "club_id", "phone"),
        *maybe(INSTANT, "asked_at", "agreed_at", "declined_at", "reached_at", "answered_at"),
        sa.PrimaryKeyConstraint("club_id", "phone", name="pk_reaches"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_reaches_club_id"),
    )
    op.create_table(
        "admin_sessions",
        *given(TEXT, "token_hash", "admin_id"),
        *given(INSTANT, "created_at", "seen_at", "ends_at"),
        sa.PrimaryKeyConstraint("token_hash", name="pk_admin_sessions"),
        sa.ForeignKeyConstraint(["admin_id"], ["admins.id"], name="fk_admin_sessions_admin_id"),
    )
    op.create_index("ix_admin_sessions_admin_id", "admin_sessions", ["admin_id"])
