"""Messages both ways, signs of life, and the practice phones.

Revision ID: 0003
Revises: 0002
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import BOOLEAN, INSTANT, INTEGER, JSON, NUMBER, TEXT, given, maybe

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    _messages()
    _attempts_and_receipts()
    _inbound()
    _health()
    _practice()


def downgrade() -> None:
    for table in (
        "practice_phones",
        "practice_messages",
        "canaries",
        "heartbeats",
        "opt_outs",
        "wrong_codes",
        "inbound_texts",
        "receipts",
        "attempts",
        "messages",
    ):
        op.drop_table(table)  # its indexes go with it


def _messages() -> None:
    op.create_table(
        "messages",
        *given(TEXT, "id", "club_id"),
        *maybe(TEXT, "dive_id"),
        *given(TEXT, "person_key", "name", "phone", "channel", "kind"),
        *given(INTEGER, "priority", "rank"),
        *given(TEXT, "step", "body"),
        *given(INTEGER, "segments"),
        *given(TEXT, "state"),
        *maybe(INTEGER, "cause_seq"),
        *given(INSTANT, "queued_at", "due_at", "not_before_at"),
        *maybe(INSTANT, "expires_at"),
        *maybe(TEXT, "lease_owner"),
        *maybe(INSTANT, "lease_until_at"),
        *given(BOOLEAN, "in_flight"),
        *given(INTEGER, "attempts"),
        *maybe(INSTANT, "handed_at"),
        *maybe(TEXT, "handed_gateway", "provider_id"),
        *maybe(INSTANT, "delivered_at", "ended_at"),
        *maybe(TEXT, "failed_reason"),
        *given(BOOLEAN, "receipt_checked"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_messages_club_id"),
        sa.ForeignKeyConstraint(["dive_id"], ["dives.id"], name="fk_messages_dive_id"),
        sa.PrimaryKeyConstraint("id", name="pk_messages"),
        sa.UniqueConstraint(
            "dive_id", "step", "person_key", "channel", name="uq_messages_dive_id_step_person_key_channel"
        ),
    )
    op.create_index(
        "ix_messages_handed_gateway_provider_id", "messages", ["handed_gateway", "provider_id"], unique=False
    )
    op.create_index(
        "ix_messages_state_priority_not_before_at",
        "messages",
        ["state", "priority", "not_before_at"],
        unique=False,
    )
    op.create_index(
        "ix_messages_unconfirmed",
        "messages",
        ["handed_at"],
        unique=False,
        sqlite_where=sa.text("state = 'handed' AND receipt_checked = 0"),
        postgresql_where=sa.text("state = 'handed' AND NOT receipt_checked"),
    )
    op.create_index(
        "uq_messages_without_dive",
        "messages",
        ["club_id", "step", "person_key", "channel"],
        unique=True,
        sqlite_where=sa.text("dive_id IS NULL"),
        postgresql_where=sa.text("dive_id IS NULL"),
    )


def _attempts_and_receipts() -> None:
    op.create_table(
        "attempts",
        *given(NUMBER, "id"),
        *given(TEXT, "message_id", "gateway", "carried_by"),
        *given(INSTANT, "started_at"),
        *maybe(INSTANT, "ended_at"),
        *maybe(TEXT, "outcome", "code", "detail", "provider_id"),
        sa.ForeignKeyConstraint(["message_id"], ["messages.id"], name="fk_attempts_message_id"),
        sa.PrimaryKeyConstraint("id", name="pk_attempts"),
    )
    op.create_index("ix_attempts_gateway_provider_id", "attempts", ["gateway", "provider_id"], unique=False)
    op.create_index("ix_attempts_message_id", "attempts", ["message_id"], unique=False)
    op.create_table(
        "receipts",
        *given(NUMBER, "id"),
        *given(TEXT, "gateway", "provider_id", "state"),
        *maybe(TEXT, "code"),
        *given(JSON, "raw"),
        *given(INSTANT, "received_at"),
        *maybe(TEXT, "message_id"),
        sa.ForeignKeyConstraint(["message_id"], ["messages.id"], name="fk_receipts_message_id"),
        sa.PrimaryKeyConstraint("id", name="pk_receipts"),
    )
    op.create_index("ix_receipts_gateway_provider_id", "receipts", ["gateway", "provider_id"], unique=False)
    op.create_index("ix_receipts_message_id", "receipts", ["message_id"], unique=False)


def _inbound() -> None:
    op.create_table(
        "inbound_texts",
        *given(NUMBER, "id"),
        *given(TEXT, "gateway", "provider_id", "sender", "receiver", "body"),
        *given(JSON, "raw"),
        *given(INSTANT, "received_at"),
        *given(BOOLEAN, "authentic"),
        *given(TEXT, "state"),
        *given(INTEGER, "tries"),
        *maybe(INSTANT, "answered_at"),
        *maybe(TEXT, "club_id", "dive_id", "intent", "note"),
        sa.ForeignKeyConstraint(["club_id"], ["clubs.id"], name="fk_inbound_texts_club_id"),
        sa.ForeignKeyConstraint(["dive_id"], ["dives.id"], name="fk_inbound_texts_dive_id"),
        sa.PrimaryKeyConstraint("id", name="pk_inbound_texts"),
        sa.UniqueConstraint(
            "gateway", "provider_id", "authentic", name="uq_inbound_texts_gateway_provider_id_authentic"
        ),
    )
    op.create_index("ix_inbound_texts_dive_id", "inbound_texts", ["dive_id"], unique=False)
    op.create_index("ix_inbound_texts_state_received_at", "inbound_texts", ["state", "received_at"], unique=False)
    op.create_table(
        "wrong_codes",
        *given(NUMBER, "id"),
        *given(TEXT, "phone", "receiving_number"),
        *given(INSTANT, "at"),
        sa.PrimaryKeyConstraint("id", name="pk_wrong_codes"),
    )
    op.create_index(
        "ix_wrong_codes_receiving_number_phone_at",
        "wrong_codes",
        ["receiving_number", "phone", "at"],
        unique=False,
    )
    op.create_table(
        "opt_outs",
        *given(NUMBER, "id"),
        *given(TEXT, "phone", "receiving_number"),
        *given(INSTANT, "at"),
        *maybe(INSTANT, "until_at"),
        sa.PrimaryKeyConstraint("id", name="pk_opt_outs"),
    )
    op.create_index("ix_opt_outs_receiving_number_phone", "opt_outs", ["receiving_number", "phone"], unique=False)


def _health() -> None:
    op.create_table(
        "heartbeats",
        *given(TEXT, "name"),
        *given(INSTANT, "at"),
        *maybe(TEXT, "detail"),
        sa.PrimaryKeyConstraint("name", name="pk_heartbeats"),
    )
    op.create_table(
        "canaries",
        *given(NUMBER, "id"),
        *given(INSTANT, "sent_at"),
        *maybe(INSTANT, "returned_at"),
        sa.PrimaryKeyConstraint("id", name="pk_canaries"),
    )
    op.create_index("ix_canaries_returned_at", "canaries", ["returned_at"], unique=False)


def _practice() -> None:
    op.create_table(
        "practice_messages",
        *given(NUMBER, "id"),
        *given(TEXT, "to_phone", "from_phone", "body", "direction"),
        *given(INSTANT, "at"),
        *given(TEXT, "sid"),
        *given(BOOLEAN, "delivered"),
        sa.PrimaryKeyConstraint("id", name="pk_practice_messages"),
        sa.UniqueConstraint("sid", name="uq_practice_messages_sid"),
    )
    op.create_index("ix_practice_messages_from_phone", "practice_messages", ["from_phone"], unique=False)
    op.create_index("ix_practice_messages_to_phone", "practice_messages", ["to_phone"], unique=False)
    op.create_table(
        "practice_phones",
        *given(TEXT, "phone"),
        *given(BOOLEAN, "on"),
        sa.PrimaryKeyConstraint("phone", name="pk_practice_phones"),
    )
