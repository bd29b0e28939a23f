"""INSERT that lets an existing row stand, and how many rows a statement touched, on both databases."""

from __future__ import annotations

from typing import Any, Final, cast

from sqlalchemy import CursorResult, Delete, Table, Update, insert, literal
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.store.tables.base import Base

# Repositories select columns, not objects, so the session holds nothing that an UPDATE would have to refresh.
UNSYNCED: Final = {"synchronize_session": False}


def insert_rows(session: Session, row: type[Base], *values: dict[str, Any]) -> None:
    """Insert rows, by the plain table: what is written at every step of every dive is written the quick way."""
    if values:
        session.execute(insert(_table(row)), list(values))


def insert_or_keep(session: Session, row: type[Base], values: dict[str, Any]) -> bool:
    """Insert a row unless a unique rule says that it exists; whether it was new."""
    begin = sqlite.insert if session.get_bind().dialect.name == "sqlite" else postgresql.insert
    # A row comes back only for what was inserted; the count of rows is not told for every INSERT.
    new = begin(_table(row)).on_conflict_do_nothing().returning(literal(1))
    return session.execute(new, values).first() is not None


def _table(row: type[Base]) -> Table:
    return cast("Table", row.__table__)


def touched(session: Session, statement: Update | Delete) -> int:
    """Run an UPDATE or DELETE; how many rows it touched."""
    result = session.execute(statement, execution_options=UNSYNCED)
    return cast("CursorResult[Any]", result).rowcount
