"""INSERT that lets an existing row stand, and how many rows a statement touched, on both databases."""

from __future__ import annotations

from typing import Any, Final, cast

from sqlalchemy import CursorResult, Executable
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.store.tables.base import Base

# Repositories select columns, not objects, so the session holds nothing that an UPDATE would have to refresh.
UNSYNCED: Final = {"synchronize_session": False}


def insert_or_keep(session: Session, table: type[Base], values: dict[str, Any]) -> bool:
    """Insert a row unless a unique rule says that it exists; whether it was new."""
    statement: Executable
    if session.get_bind().dialect.name == "sqlite":
        statement = sqlite.insert(table).values(**values).on_conflict_do_nothing()
    else:
        statement = postgresql.insert(table).values(**values).on_conflict_do_nothing()
    return touched(session, statement) == 1


def touched(session: Session, statement: Executable) -> int:
    """Run an INSERT, UPDATE or DELETE; how many rows it touched."""
    result = session.execute(statement, execution_options=UNSYNCED)
    return cast("CursorResult[Any]", result).rowcount
