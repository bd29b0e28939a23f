"""INSERT that lets an existing row stand, and how many rows a statement touched, on both databases.

What runs at every step of every dive is built once and given its values at each run: to build a statement of
SQLAlchemy takes several times as long as to run it. Such statements name the plain tables (`table`), since those of
mapped classes cost the ORM's share too.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any, Final, cast

from sqlalchemy import CursorResult, Delete, Insert, Table, Update, bindparam, insert, literal, update
from sqlalchemy.dialects import postgresql, sqlite
from sqlalchemy.orm import Session

from service.store import in_bulk
from service.store.tables.base import Base

# Repositories select columns, not objects, so the session holds nothing that an UPDATE would have to refresh.
UNSYNCED: Final = {"synchronize_session": False}
_COUNTED: Final = {"preserve_rowcount": True}

Values = Mapping[str, Any]


def table(row: type[Base]) -> Table:
    """The plain table of a mapped class."""
    return cast("Table", row.__table__)


def insert_rows(session: Session, row: type[Base], *values: dict[str, Any]) -> None:
    """Insert rows, by the plain table: what is written at every step of every dive is written the quick way."""
    if _in_bulk(session, values):
        in_bulk.insert_all(session, table(row), values, keep=False)
    elif values:
        session.execute(_insert(row), list(values))


def insert_or_keep(session: Session, row: type[Base], values: dict[str, Any]) -> bool:
    """Insert a row unless a unique rule says that it exists; whether it was new."""
    return session.execute(_new_row(row, is_sqlite(session)), values).first() is not None


def insert_or_keep_numbered(session: Session, row: type[Base], values: dict[str, Any]) -> int | None:
    """Insert a row unless a unique rule says that it exists; its number, None when it was there."""
    return session.execute(_new_number(row, is_sqlite(session)), values).scalar_one_or_none()


def insert_or_keep_all_numbered(
    session: Session, row: type[Base], key: str, values: Sequence[dict[str, Any]]
) -> dict[str, int]:
    """Insert those of the rows that no unique rule says exist; their numbers, rising, by what they have as `key`."""
    if len(values) > 1 and not is_sqlite(session):  # each by itself is a wait for the server
        return in_bulk.insert_numbered(session, table(row), key, values)
    numbers = {one[key]: insert_or_keep_numbered(session, row, one) for one in values}
    return {name: number for name, number in numbers.items() if number is not None}


def insert_or_keep_rows(session: Session, row: type[Base], values: Sequence[dict[str, Any]]) -> int:
    """Insert those of the rows that no unique rule says exist; how many were new."""
    if not values:
        return 0
    if _in_bulk(session, values):
        return in_bulk.insert_all(session, table(row), values, keep=True)
    result = session.execute(_new_rows(row, is_sqlite(session)), list(values), execution_options=_COUNTED)
    return cast("CursorResult[Any]", result).rowcount


def update_rows(session: Session, row: type[Base], where: Mapping[str, str], values: Sequence[Values]) -> int:
    """Update the row that each of the values names; how many were there.

    `where` has the columns by which a row is found, and under which names the values have them. All of the values
    have the same names.
    """
    if not values:
        return 0
    if _in_bulk(session, values):
        return in_bulk.update_all(session, table(row), where, values)
    # A name of a column may not be that of a parameter too.
    given = [{f"new_{name}": value for name, value in one.items()} for one in values]
    return touched(session, _update(row, tuple(where.items()), tuple(values[0])), given)


def insert_and_update_rows(
    session: Session,
    new: tuple[type[Base], Sequence[dict[str, Any]]],
    moved: tuple[type[Base], Mapping[str, str], Sequence[dict[str, Any]]],
) -> None:
    """Insert rows into one table and, as `update_rows`, update those of another; on PostgreSQL in one statement."""
    (row, rows), (other, where, changes) = new, moved
    if rows and changes and not is_sqlite(session):
        in_bulk.insert_and_update(session, (table(row), rows), (table(other), where, changes))
    else:
        insert_rows(session, row, *rows)
        update_rows(session, other, where, changes)


def _in_bulk(session: Session, values: Sequence[Values]) -> bool:
    return len(values) >= in_bulk.WORTH_IT_FROM and not is_sqlite(session)


@cache
def _update(row: type[Base], where: tuple[tuple[str, str], ...], names: tuple[str, ...]) -> Update:
    of = table(row)
    keys = {given for _, given in where}
    found = [of.c[column] == bindparam(f"new_{given}", type_=of.c[column].type) for column, given in where]
    return update(of).where(*found).values({name: bindparam(f"new_{name}") for name in names if name not in keys})


@cache
def _insert(row: type[Base]) -> Insert:
    return insert(table(row))


@cache
def _new_rows(row: type[Base], on_sqlite: bool) -> Insert:  # noqa: FBT001 - a key of the cache
    begin = sqlite.insert if on_sqlite else postgresql.insert
    return begin(table(row)).on_conflict_do_nothing()


@cache
def _new_row(row: type[Base], on_sqlite: bool) -> Insert:  # noqa: FBT001 - a key of the cache
    # A row comes back only for what was inserted; the count of rows is not told for every INSERT.
    return cast("Insert", _new_rows(row, on_sqlite).returning(literal(1)))


@cache
def _new_number(row: type[Base], on_sqlite: bool) -> Insert:  # noqa: FBT001 - a key of the cache
    return cast("Insert", _new_rows(row, on_sqlite).returning(table(row).c.id))


def is_sqlite(session: Session) -> bool:
    """Whether the session's database is SQLite; else it is PostgreSQL."""
    return session.get_bind().dialect.name == "sqlite"


def touched(session: Session, statement: Update | Delete, values: Values | Sequence[Values] | None = None) -> int:
    """Run an UPDATE or DELETE, once or for each of several values; how many rows it touched."""
    result = session.execute(statement, values, execution_options=UNSYNCED)
    return cast("CursorResult[Any]", result).rowcount
