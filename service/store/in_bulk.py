"""Many rows in one statement of PostgreSQL, which takes them as one JSON text.

A statement for each row costs both sides ten times what the row does: its values are bound, sent and read one by one,
and the server starts its executor anew. SQLite has no such costs, and writes row by row.

A long text goes in a parameter of its own with those of the other rows: within JSON one side would escape each of its
quotes, and the other would read it letter by letter.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC
from functools import cache
from typing import Any, Final, cast

import msgspec
from sqlalchemy import CursorResult, Dialect, Table
from sqlalchemy.dialects import registry
from sqlalchemy.orm import Session

from service.store.tables.base import LONG
from service.store.types import UTCDateTime, storable, utc

WORTH_IT_FROM: Final = 4  # rows; for fewer the statement that is prepared already is as quick

Values = Mapping[str, Any]

_ENCODER: Final = msgspec.json.Encoder()
_DIALECT: Final[Dialect] = registry.load("postgresql")()
_BETWEEN: Final = "\x1e"  # the separator of records in ASCII, which JSON escapes; a text that has it goes as JSON
_NUL: Final = b"\\u0000"  # as JSON has it; so it also looks where somebody wrote that out, which does no harm


def insert_all(session: Session, table: Table, values: Sequence[Values], *, keep: bool) -> int:
    """Insert rows, or with `keep` those of them that no unique rule says exist; how many were new."""
    given = _given(table, {}, values)
    return _run(session, _insert(table, given.names, given.long, keep=keep), given.parameters).rowcount


def insert_numbered(session: Session, table: Table, key: str, values: Sequence[Values]) -> dict[str, int]:
    """Insert those of the rows that no unique rule says exist; their numbers, rising, by what they have as `key`."""
    given = _given(table, {}, values)
    statement = f"{_insert(table, given.names, given.long, keep=True)} RETURNING {', '.join(_quoted((key, 'id')))}"
    found = _run(session, statement, given.parameters).all()
    return dict(cast("Sequence[tuple[str, int]]", found))


def update_all(session: Session, table: Table, where: Mapping[str, str], values: Sequence[Values]) -> int:
    """Update the row that each of the values names; how many were there.

    `where` has the columns by which a row is found, and under which names the values have them.
    """
    given = _given(table, where, values)
    return _run(session, _update(table, tuple(where.items()), given.names, given.long), given.parameters).rowcount


def insert_and_update(
    session: Session,
    new: tuple[Table, Sequence[Values]],
    moved: tuple[Table, Mapping[str, str], Sequence[Values]],
) -> None:
    """Both at once, in one wait for the server: insert rows into one table and, as `update_all`, move those of another.

    https://www.postgresql.org/docs/current/queries-with.html#QUERIES-WITH-MODIFYING: each is done to the end.
    """
    rows, changes = _given(new[0], {}, new[1]), _given(*moved)
    update = _update(moved[0], tuple(moved[1].items()), changes.names, changes.long)
    insert = _insert(new[0], rows.names, rows.long, keep=False)
    _run(session, f"WITH moved AS ({update}) {insert}", changes.parameters + rows.parameters)


@dataclass(frozen=True, slots=True)
class _Given:
    """What goes into a statement: the names of what goes as JSON and of the long texts, and the parameters for both."""

    names: tuple[str, ...]
    long: tuple[str, ...]
    parameters: tuple[str, ...]


@cache
def _insert(table: Table, names: tuple[str, ...], long: tuple[str, ...], *, keep: bool) -> str:
    columns = ", ".join(_quoted(names + long))
    conflict = " ON CONFLICT DO NOTHING" if keep else ""
    return f"INSERT INTO {table.name} ({columns}) SELECT {columns} FROM {_rows(table, {}, names, long)}{conflict}"  # noqa: S608 - names of ours


@cache
def _update(table: Table, where: tuple[tuple[str, str], ...], names: tuple[str, ...], long: tuple[str, ...]) -> str:
    found_by = {given: column for column, given in where}
    moved = ", ".join(f"{name} = r.{name}" for name in _quoted(name for name in names + long if name not in found_by))
    found = " AND ".join(f"t.{column} = r.{given}" for column, given in map(_quoted, where))
    return f"UPDATE {table.name} AS t SET {moved} FROM {_rows(table, found_by, names, long)} WHERE {found}"  # noqa: S608 - names of ours


def _rows(table: Table, called: Mapping[str, str], names: Iterable[str], long: Iterable[str]) -> str:
    types = (table.c[called.get(name, name)].type.compile(_DIALECT) for name in names)
    columns = ", ".join(f"{name} {kind}" for name, kind in zip(_quoted(names), types, strict=True))
    texts = "".join(f", unnest(string_to_array(%s, '{_BETWEEN}'))" for _ in long)
    called_so = ", ".join(_quoted([*names, *long]))
    return f"ROWS FROM (json_to_recordset(CAST(%s AS json)) AS ({columns}){texts}) AS r({called_so})"


def _quoted(names: Iterable[str]) -> list[str]:
    return [_DIALECT.identifier_preparer.quote(name) for name in names]


def _run(session: Session, statement: str, parameters: tuple[str, ...]) -> CursorResult[Any]:
    return session.connection().exec_driver_sql(statement, parameters)


def _given(table: Table, where: Mapping[str, str], values: Sequence[Values]) -> _Given:
    names = tuple(values[0])
    for name in _instants(table).intersection(names):
        for row in values:
            at = row[name]
            if at is not None and at.tzinfo is not UTC:
                utc(at)  # one without a zone is refused
    long = tuple(name for name in names if name in _long(table) and name not in where.values())
    texts = [_joined([row[name] for row in values]) for name in long]
    if any(text.count(_BETWEEN) != len(values) - 1 for text in texts):
        return _Given(names, (), (_encoded(values),))
    short = tuple(name for name in names if name not in long)
    rows = [{name: row[name] for name in short} for row in values] if long else values
    return _Given(short, long, (_encoded(rows), *texts))


@cache
def _instants(table: Table) -> frozenset[str]:
    return frozenset(column.name for column in table.c if isinstance(column.type, UTCDateTime))


@cache
def _long(table: Table) -> frozenset[str]:
    return frozenset(column.name for column in table.c if column.info.get(LONG, False))


def _joined(texts: Sequence[str]) -> str:
    whole = _BETWEEN.join(texts)
    if "\x00" in whole:
        return storable(whole)
    try:
        whole.encode()
    except UnicodeEncodeError:  # half of a surrogate pair
        return storable(whole)
    return whole


def _encoded(values: Sequence[Values]) -> str:
    try:
        whole = _ENCODER.encode(values)
    except UnicodeEncodeError:  # half of a surrogate pair
        return _ENCODER.encode(_storable(values)).decode()
    return (_ENCODER.encode(_storable(values)) if _NUL in whole else whole).decode()


def _storable(values: Sequence[Values]) -> list[dict[str, Any]]:
    return [{name: storable(one) if isinstance(one, str) else one for name, one in row.items()} for row in values]
