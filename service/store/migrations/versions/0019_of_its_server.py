"""A database on PostgreSQL is known by its server too: the numbers of its tables may be those of another copy of it.

Revision ID: 0019
Revises: 0018
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0019"
down_revision = "0018"
branch_labels = None
depends_on = None

# As service.store.epochs reads them.
MAY_ASK = "SELECT has_function_privilege('pg_control_system()', 'EXECUTE')"
SERVER = "SELECT system_identifier FROM pg_control_system()"
NUMBERS = (
    "SELECT string_agg(c.oid::text, '.' ORDER BY c.relname) FROM pg_class c WHERE c.oid IN"
    " ('clubs'::regclass, 'dives'::regclass, 'log_entries'::regclass, 'messages'::regclass)"
)
# One that is not known by what it was is a copy, and stays one.
RENAME = "UPDATE epochs SET identity = :becomes WHERE identity = :was AND id = (SELECT max(id) FROM epochs)"


def upgrade() -> None:
    names = _names()
    if names is not None:
        plain, whole = names
        op.get_bind().execute(sa.text(RENAME), {"was": plain, "becomes": whole})


def downgrade() -> None:
    names = _names()
    if names is not None:
        plain, whole = names
        op.get_bind().execute(sa.text(RENAME), {"was": whole, "becomes": plain})


def _names() -> tuple[str, str] | None:
    """What the database was known by, and what it is known by now; None where that is the same."""
    bind = op.get_bind()
    if bind.dialect.name != "postgresql" or not bind.execute(sa.text(MAY_ASK)).scalar_one():
        return None
    numbers = bind.execute(sa.text(NUMBERS)).scalar_one()
    return numbers, f"{bind.execute(sa.text(SERVER)).scalar_one()}.{numbers}"
