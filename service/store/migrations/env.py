"""Alembic runs this for each command; connection and transaction are those of service.store.schema."""

from __future__ import annotations

from alembic import context

from service.store.tables import Base

connection = context.config.attributes["connection"]
context.configure(
    connection=connection,
    target_metadata=Base.metadata,
    compare_type=True,
    render_as_batch=True,
    transactional_ddl=True,
)
with context.begin_transaction():
    context.run_migrations()
