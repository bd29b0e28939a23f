"""The log and its guards.

Revision ID: 0002
Revises: 0001
"""

from __future__ import annotations

from typing import Final

import sqlalchemy as sa
from alembic import op

from service.store.migrations.columns import INSTANT, INTEGER, NUMBER, TEXT, given, maybe

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None

APPEND_ONLY: Final = "the log is append-only"
ERASURE_ONLY: Final = "an entry of the log may only lose its personal detail"

# An erasure takes actor, detail and salt together, and touches nothing else.
KEPT: Final = (
    "id",
    "chain",
    "seq",
    "dive_id",
    "club_id",
    "at",
    "kind",
    "actor_hash",
    "detail_hash",
    "prev_hash",
    "hash",
)


def upgrade() -> None:
    _log()
    if op.get_bind().dialect.name == "sqlite":
        _guard_on_sqlite()
    else:
        _guard_on_postgresql()


def downgrade() -> None:
    for table in ("log_checkpoints", "chain_heads", "log_entries"):
        op.drop_table(table)  # indexes and triggers go with it
    if op.get_bind().dialect.name == "postgresql":
        op.execute("DROP FUNCTION linetender_append_only()")
        op.execute("DROP FUNCTION linetender_erasure_only()")


def _log() -> None:
    op.create_table(
        "log_entries",
        *given(NUMBER, "id"),
        *given(TEXT, "chain"),
        *given(INTEGER, "seq"),
        *maybe(TEXT, "dive_id", "club_id"),
        *given(INSTANT, "at"),
        *given(TEXT, "kind"),
        *maybe(TEXT, "actor"),
        *given(TEXT, "actor_hash"),
        *maybe(TEXT, "detail"),
        *given(TEXT, "detail_hash"),
        *maybe(TEXT, "salt"),
        *given(TEXT, "prev_hash", "hash"),
        sa.PrimaryKeyConstraint("id", name="pk_log_entries"),
        sa.UniqueConstraint("chain", "seq", name="uq_log_entries_chain_seq"),
    )
    op.create_index("ix_log_entries_at", "log_entries", ["at"], unique=False)
    op.create_table(
        "chain_heads",
        *given(TEXT, "chain"),
        *given(INTEGER, "seq"),
        *given(TEXT, "hash"),
        *given(INTEGER, "checkpointed_seq"),
        sa.PrimaryKeyConstraint("chain", name="pk_chain_heads"),
    )
    op.create_table(
        "log_checkpoints",
        *given(NUMBER, "id"),
        *given(INSTANT, "at"),
        *given(TEXT, "heads", "prev_hash", "hash"),
        sa.PrimaryKeyConstraint("id", name="pk_log_checkpoints"),
    )


def _guard_on_sqlite() -> None:
    same = " AND ".join(f"NEW.{name} IS OLD.{name}" for name in KEPT)
    op.execute(
        "CREATE TRIGGER log_entries_erasure_only BEFORE UPDATE ON log_entries WHEN NOT ("
        "OLD.detail IS NOT NULL AND NEW.detail IS NULL AND NEW.actor IS NULL AND NEW.salt IS NULL"
        f" AND {same}) BEGIN SELECT RAISE(ABORT, '{ERASURE_ONLY}'); END"
    )
    for event, table in (
        ("DELETE", "log_entries"),
        ("DELETE", "log_checkpoints"),
        ("UPDATE", "log_checkpoints"),
    ):
        op.execute(
            f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table}"
            f" BEGIN SELECT RAISE(ABORT, '{APPEND_ONLY}'); END"
        )


def _guard_on_postgresql() -> None:
    same = " AND ".join(f"NEW.{name} IS NOT DISTINCT FROM OLD.{name}" for name in KEPT)
    op.execute(
        "CREATE FUNCTION linetender_append_only() RETURNS trigger LANGUAGE plpgsql AS $$"
        f" BEGIN RAISE EXCEPTION '{APPEND_ONLY}'; END $$"
    )
    op.execute(
        "CREATE FUNCTION linetender_erasure_only() RETURNS trigger LANGUAGE plpgsql AS $$ BEGIN"
        " IF OLD.detail IS NOT NULL AND NEW.detail IS NULL AND NEW.actor IS NULL AND NEW.salt IS NULL"
        f" AND {same} THEN RETURN NEW; END IF; RAISE EXCEPTION '{ERASURE_ONLY}'; END $$"
    )
    op.execute(
        "CREATE TRIGGER log_entries_erasure_only BEFORE UPDATE ON log_entries"
        " FOR EACH ROW EXECUTE FUNCTION linetender_erasure_only()"
    )
    for table, events in (("log_entries", "DELETE"), ("log_checkpoints", "UPDATE OR DELETE")):
        op.execute(
            f"CREATE TRIGGER {table}_append_only BEFORE {events} ON {table}"
            " FOR EACH ROW EXECUTE FUNCTION linetender_append_only()"
        )
        op.execute(
            f"CREATE TRIGGER {table}_no_truncate BEFORE TRUNCATE ON {table}"
            " FOR EACH STATEMENT EXECUTE FUNCTION linetender_append_only()"
        )
