"""The column types that carry a promise: one for time, one for words from outside."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy import BigInteger, DateTime, Dialect, Text
from sqlalchemy.exc import DontWrapMixin
from sqlalchemy.types import TypeDecorator, TypeEngine

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MICROSECOND = timedelta(microseconds=1)
# PostgreSQL refuses NUL in text, and neither database can encode half of a surrogate pair.
_UNSTORABLE = re.compile("[\x00\ud800-\udfff]")


class NaiveTimeError(DontWrapMixin, ValueError):
    """A datetime without a zone was given where an instant is needed."""


def utc(value: datetime) -> datetime:
    """The same instant in UTC; raises NaiveTimeError for a datetime without a zone."""
    if value.tzinfo is UTC:
        return value
    if value.utcoffset() is None:
        raise NaiveTimeError(f"{value.isoformat()} has no zone: give an aware datetime, so that it is one instant")
    return value.astimezone(UTC)


class UTCDateTime(TypeDecorator[datetime]):
    """An instant: aware in, aware UTC out, naive refused with NaiveTimeError.

    SQLite has no type for time and would keep the wall clock and drop the offset, so there it is whole
    microseconds since 1970-01-01T00:00Z; on PostgreSQL it is timestamptz.
    """

    impl = DateTime(timezone=True)
    cache_ok = True

    def load_dialect_impl(self, dialect: Dialect) -> TypeEngine[Any]:
        """The type of the database at hand."""
        return dialect.type_descriptor(BigInteger() if dialect.name == "sqlite" else DateTime(timezone=True))

    def process_bind_param(self, value: datetime | None, dialect: Dialect) -> Any:
        """To the database."""
        if dialect.name == "sqlite":
            return _since_epoch(value)
        return None if value is None else utc(value)

    def process_result_value(self, value: Any | None, dialect: Dialect) -> datetime | None:
        """From the database."""
        if dialect.name == "sqlite":
            return _instant(value)
        return None if value is None else utc(value)

    # A look reads thousands of instants: on SQLite these do the same with one call for each.

    def bind_processor(self, dialect: Dialect) -> Callable[[datetime | None], Any] | None:
        """To the database, one after the other."""
        return _since_epoch if dialect.name == "sqlite" else super().bind_processor(dialect)

    def result_processor(self, dialect: Dialect, coltype: Any) -> Callable[[Any], datetime | None] | None:
        """From the database, one after the other."""
        return _instant if dialect.name == "sqlite" else super().result_processor(dialect, coltype)


def _since_epoch(value: datetime | None) -> int | None:
    return None if value is None else (utc(value) - _EPOCH) // _MICROSECOND


def _instant(value: int | None) -> datetime | None:
    return None if value is None else _EPOCH + value * _MICROSECOND


def storable(words: str) -> str:
    """`words` with what no database can keep replaced by U+FFFD: a broken text is still a stored text."""
    if words.isascii() and "\x00" not in words:
        return words  # as nearly all are, and much quicker to see
    return _UNSTORABLE.sub("\ufffd", words)


class Words(TypeDecorator[str]):
    """Text of any length, made storable on the way in: no diver's text is lost to a bad character."""

    impl = Text
    cache_ok = True

    def process_bind_param(self, value: str | None, dialect: Dialect) -> str | None:  # noqa: ARG002 - their signature
        """To the database."""
        return _kept(value)

    def bind_processor(self, dialect: Dialect) -> Callable[[str | None], str | None]:  # noqa: ARG002 - their signature
        """The same, without a call within a call for each of the many."""
        return _kept


def _kept(value: str | None) -> str | None:
    if value is None or (value.isascii() and "\x00" not in value):  # looked at here too: a call costs as much again
        return value
    return storable(value)
