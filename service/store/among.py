"""A column that is one of several values, given together as one parameter on both databases.

A list that is written out has a parameter for each value: the statement is then put together, read and planned anew at
each run, which costs several times what it takes to find the rows.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Any, Final

import msgspec
from sqlalchemy import ARRAY, BigInteger, BindParameter, Boolean, Dialect, Integer, Text, bindparam, literal_column
from sqlalchemy.ext.compiler import compiles
from sqlalchemy.sql.compiler import SQLCompiler
from sqlalchemy.sql.elements import ColumnElement
from sqlalchemy.sql.functions import FunctionElement
from sqlalchemy.types import TypeDecorator, TypeEngine

_ENCODER: Final = msgspec.json.Encoder()


class _Values(TypeDecorator[Collection[Any]]):
    """Texts or whole numbers: an array on PostgreSQL, JSON on SQLite, which has no arrays."""

    impl = Text
    cache_ok = True

    def __init__(self, of: type[Text | BigInteger]) -> None:
        super().__init__()
        self.of = of

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """The type of the database at hand."""
        return dialect.type_descriptor(Text() if dialect.name == "sqlite" else ARRAY(self.of))

    def process_bind_param(self, value: Collection[Any] | None, dialect: Dialect) -> Any:
        """To the database."""
        values = list(value or ())
        return _ENCODER.encode(values).decode() if dialect.name == "sqlite" else values


class _Among(FunctionElement[bool]):
    inherit_cache = True
    type = Boolean()


@compiles(_Among, "postgresql")
def _(element: _Among, compiler: SQLCompiler, **named: Any) -> str:
    column, values = (compiler.process(one, **named) for one in element.clauses)
    return f"{column} = ANY ({values})"


@compiles(_Among, "sqlite")
def _(element: _Among, compiler: SQLCompiler, **named: Any) -> str:
    column, values = (compiler.process(one, **named) for one in element.clauses)
    return f"{column} IN (SELECT value FROM json_each({values}))"  # noqa: S608 - names of ours


def one_of(column: ColumnElement[str], *words: str) -> ColumnElement[bool]:
    """Whether the column has one of these words of ours, which stand in the statement itself and cost nothing at a run.

    Raises ValueError for what is no plain word.
    """
    if odd := [word for word in words if not word.isidentifier()]:
        raise ValueError(f"only a plain word may stand in a statement, not {odd}")
    return column.in_([literal_column(f"'{word}'") for word in words])


def among(column: ColumnElement[str] | ColumnElement[int], name: str) -> ColumnElement[bool]:
    """Whether the column has one of the values that are given under this name when the statement runs."""
    of = BigInteger if isinstance(column.type, Integer) else Text
    given: BindParameter[Any] = bindparam(name, type_=_Values(of))
    return _Among(column, given)
