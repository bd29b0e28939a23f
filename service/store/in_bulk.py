"""Many rows in one statement of PostgreSQL, which takes each column of them as one parameter.

A statement for each row costs both sides ten times what the row does: its values are bound, sent and read one by one,
and the server starts its executor anew. SQLite has no such costs, and writes row by row.

A column that is alike in all of many rows, as most are of what is written in one batch, goes as that one value. Of
another the values go as one text with a mark between them, which costs less than JSON, of which both sides escape and
read each letter; as JSON goes only what has nothing in one of the rows, or the mark in its words.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from typing import Any, Final, Literal, cast

import msgspec
from sqlalchemy import CursorResult, Dialect, Table
from sqlalchemy.dialects import registry
from sqlalchemy.orm import Session

from service.store.types import storable, utc

WORTH_IT_FROM: Final = 4  # rows; for fewer the statement that is prepared already is as quick
ALIKE_FROM: Final = 20  # rows; of fewer many look alike by chance, and each such look is a statement of its own
STATEMENTS_KEPT: Final = 500  # which columns look alike goes on changing, for as long as a process lives

Values = Mapping[str, Any]

_ENCODER: Final = msgspec.json.Encoder()
_DIALECT: Final[Dialect] = registry.load("postgresql")()
_MARK: Final = "\x1e"  # the separator of records in ASCII


def insert_all(session: Session, table: Table, values: Sequence[Values], *, keep: bool) -> int:
    """Insert rows, or with `keep` those of them that no unique rule says exist; how many were new."""
    given = _given(values)
    return _run(session, _insert(table, given.columns, keep=keep), given.parameters).rowcount


def insert_numbered(session: Session, table: Table, key: str, values: Sequence[Values]) -> dict[str, int]:
    """Insert those of the rows that no unique rule says exist; their numbers, rising, by what they have as `key`."""
    given = _given(values)
    statement = f"{_insert(table, given.columns, keep=True)} RETURNING {_listed((key, 'id'))}"
    found = _run(session, statement, given.parameters).all()
    return dict(cast("Sequence[tuple[str, int]]", found))


def update_all(session: Session, table: Table, where: Mapping[str, str], values: Sequence[Values]) -> int:
    """Update the row that each of the values names; how many were there.

    `where` has the columns by which a row is found, and under which names the values have them.
    """
    given = _given(values)
    return _run(session, _update(table, tuple(where.items()), given.columns), given.parameters).rowcount


def insert_and_update(
    session: Session,
    new: tuple[Table, Sequence[Values]],
    moved: tuple[Table, Mapping[str, str], Sequence[Values]],
) -> None:
    """Both at once, in one wait for the server: insert rows into one table and, as `update_all`, move those of another.

    https://www.postgresql.org/docs/current/queries-with.html#QUERIES-WITH-MODIFYING: each is done to the end.
    """
    rows, changes = _given(new[1]), _given(moved[2])
    update = _update(moved[0], tuple(moved[1].items()), changes.columns)
    insert = _insert(new[0], rows.columns, keep=False)
    _run(session, f"WITH moved AS ({update}) {insert}", changes.parameters + rows.parameters)


_Form = Literal["alike", "marked", "json"]
_READ: Final[Mapping[_Form, str]] = {
    "marked": f"unnest(string_to_array(%s, '{_MARK}'))",
    "json": "json_array_elements_text(CAST(%s AS json))",
}
_Columns = tuple[tuple[str, _Form], ...]


@dataclass(frozen=True, slots=True)
class _Given:
    """What goes into a statement: the names of the values and in which form each goes, and the parameters for them.

    The parameters of what is alike come first.
    """

    columns: _Columns
    parameters: tuple[str | None, ...]


@lru_cache(maxsize=STATEMENTS_KEPT)
def _insert(table: Table, columns: _Columns, *, keep: bool) -> str:
    names = _listed(name for name, _ in columns)
    conflict = " ON CONFLICT DO NOTHING" if keep else ""
    return f"INSERT INTO {table.name} ({names}) SELECT {names} FROM {_rows(table, {}, columns)}{conflict}"  # noqa: S608 - names of ours


@lru_cache(maxsize=STATEMENTS_KEPT)
def _update(table: Table, where: tuple[tuple[str, str], ...], columns: _Columns) -> str:
    found_by = {given: column for column, given in where}
    moved = ", ".join(f"{_quoted(name)} = r.{_quoted(name)}" for name, _ in columns if name not in found_by)
    found = " AND ".join(f"t.{_quoted(column)} = r.{_quoted(given)}" for column, given in where)
    return f"UPDATE {table.name} AS t SET {moved} FROM {_rows(table, found_by, columns)} WHERE {found}"  # noqa: S608 - names of ours


def _rows(table: Table, called: Mapping[str, str], columns: _Columns) -> str:
    """The rows as a table `r`, each column of the type of the column for which it is."""
    types = {name: table.c[called.get(name, name)].type.compile(_DIALECT) for name, _ in columns}
    each = [(_quoted(name), form, types[name]) for name, form in columns]
    values = ", ".join(
        f"CAST({'%s' if form == 'alike' else f'l.{name}'} AS {kind}) AS {name}" for name, form, kind in each
    )
    lists = [(name, _READ[form]) for name, form, _ in each if form != "alike"]
    if not lists:
        return f"(SELECT {values}) AS r"
    read, names = ", ".join(one for _, one in lists), ", ".join(name for name, _ in lists)
    return f"(SELECT {values} FROM ROWS FROM ({read}) AS l({names})) AS r"  # noqa: S608 - names of ours


def _listed(names: Iterable[str]) -> str:
    return ", ".join(map(_quoted, names))


def _quoted(name: str) -> str:
    return _DIALECT.identifier_preparer.quote(name)


def _run(session: Session, statement: str, parameters: tuple[str | None, ...]) -> CursorResult[Any]:
    return session.connection().exec_driver_sql(statement, parameters)


def _given(values: Sequence[Values]) -> _Given:
    count = len(values)
    columns: list[tuple[str, _Form]] = []
    alike: list[str | None] = []
    lists: list[str] = []
    for name in values[0]:
        column = [row[name] for row in values]
        if count == 1 or (count >= ALIKE_FROM and column.count(column[0]) == count):
            columns.append((name, "alike"))
            alike.append(None if column[0] is None else _text(column[0]))
        else:
            form, whole = _as_list(column)
            columns.append((name, form))
            lists.append(whole)
    if count > 1 and not lists:  # something must say how many they are
        columns[0] = (columns[0][0], "json")
        lists.append(_encoded([alike.pop(0)] * count))
    return _Given(tuple(columns), (*alike, *lists))


def _as_list(column: list[Any]) -> tuple[_Form, str]:
    if set(map(type, column)) != {str}:
        column = [None if one is None else _text(one) for one in column]
    if None not in column:
        whole = _MARK.join(column)
        if whole.count(_MARK) == len(column) - 1:
            return "marked", storable(whole)
    return "json", _encoded([None if one is None else storable(one) for one in column])


def _text(value: Any) -> str:
    """A value as PostgreSQL reads it."""
    if isinstance(value, datetime):
        return str(utc(value))  # one without a zone is refused
    return storable(value) if isinstance(value, str) else _encoded(value)


def _encoded(value: Any) -> str:
    return _ENCODER.encode(value).decode()
