"""Rows by the hundred thousand, copied by the database itself from one real dive: armed, and not due for hours."""

from __future__ import annotations

from datetime import timedelta
from typing import Any, cast

from sqlalchemy import Connection, Table, create_engine, insert, literal, literal_column, select, text
from sqlalchemy import column as column_
from sqlalchemy import table as table_

from service.operations.service import Service
from service.store.tables import DiveRow, LogEntryRow, MessageRow
from service.store.tables.base import Base
from tests.bench.armed import MovedClock, arm

DUE_IN = timedelta(hours=5)
COPIED = "bench00000000"
LATER = {"sqlite": "next_due_at + n * 1000", "postgresql": "next_due_at + n * interval '1 millisecond'"}


def fill(service: Service, clock: MovedClock, first: int, count: int) -> None:
    """Add so many dives, each with an entry of the log and a message, from the number `first` on.

    What nobody reads of them is left short: the state, the words of the log and of the message.
    """
    if first == 0:
        arm(service, 1, lambda _: clock.at + DUE_IN, until=clock.at, with_log=True)
    dialect = service.engine.dialect.name
    fresh = literal_column(f"'fill' || ({first} + n)")
    engine = create_engine(service.engine.url)  # the service's own gives up what takes this long
    with engine.begin() as connection:
        connection.execute(text("CREATE TEMPORARY TABLE series AS " + numbers(dialect)), {"count": count})
        later = literal_column(LATER[dialect])
        copy(connection, DiveRow, "id", {"id": fresh, "state": literal("{}"), "next_due_at": later})
        copy(connection, LogEntryRow, "dive_id", {"chain": "dive:" + fresh, "dive_id": fresh, "detail": literal("{}")})
        copy(
            connection,
            MessageRow,
            "dive_id",
            {"id": fresh, "dive_id": fresh, "state": literal("delivered"), "body": literal("filled")},
        )
        connection.execute(text("DROP TABLE series"))
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("ANALYZE"))  # as the database's own upkeep would have by then
    engine.dispose()


def numbers(dialect: str) -> str:
    """A query for the numbers from 0 to one below `count`."""
    if dialect == "postgresql":
        return "SELECT generate_series(0, CAST(:count AS integer) - 1) AS n"
    return "WITH RECURSIVE s(n) AS (SELECT 0 UNION ALL SELECT n + 1 FROM s LIMIT :count) SELECT n FROM s"


def copy(connection: Connection, row: type[Base], key: str, changed: dict[str, Any]) -> None:
    """Copy one row of the real dive for each number, with some columns changed."""
    whole = cast("Table", row.__table__)
    names = [column.name for column in whole.columns if column.name != "id" or "id" in changed]
    one = select(whole).where(whole.c[key] == COPIED).limit(1).subquery("one")
    values = [changed.get(name, one.c[name]) for name in names]
    series = table_("series", column_("n"))
    copies = select(*values).select_from(one.join(series, literal_column("n") >= 0))
    connection.execute(insert(whole).from_select(names, copies, include_defaults=False))
