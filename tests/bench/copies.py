"""Dives by the hundred thousand that are decided like any other: copied in the database from a thousand real ones."""

from __future__ import annotations

from typing import Any, cast

from sqlalchemy import (
    ColumnElement,
    Engine,
    String,
    Table,
    create_engine,
    func,
    insert,
    literal,
    literal_column,
    select,
    text,
)
from sqlalchemy import cast as cast_
from sqlalchemy import column as column_
from sqlalchemy import table as table_

from service.store.chain import GENESIS
from service.store.tables import ChainHeadRow, DivePhoneRow, DiveRow
from service.store.tables.base import Base
from tests.bench.armed import NAMED
from tests.bench.filling import numbers


def copy_dives(engine: Engine, first: int, originals: int, times: int) -> None:
    """Copy each of so many dives so often, due when it is; their numbers follow on those of the originals.

    Each has a lead and a phone of its own, and a log, though nothing stands in it yet. Their codes are left out: nobody
    asks for them while the clock decides.
    """
    own = create_engine(engine.url)  # the service's own gives up what takes this long
    old = literal_column(f"CAST(substr(one.id, {len(NAMED) + 1}) AS integer)")
    number = literal_column(f"CAST(substr(one.id, {len(NAMED) + 1}) AS integer) + (n + 1) * {originals}")
    fresh = NAMED + func.substr(cast_(100_000_000 + number, String), 2)
    with own.begin() as connection:
        connection.execute(text("CREATE TEMPORARY TABLE series AS " + numbers(engine.dialect.name)), {"count": times})
        one = cast("Table", DiveRow.__table__).alias("one")
        series = table_("series", column_("n"))
        theirs = one.join(series, one.c.id.between(_named(first), _named(first + originals - 1)))
        state = _of_others(func.replace(one.c.state, one.c.id, fresh, type_=String), old, number)
        lead = literal("Diver ") + cast_(number, String)
        names, values = _columns(DiveRow, one, {"id": fresh, "state": state, "lead_name": lead})
        copied = select(*values).select_from(theirs)
        connection.execute(insert(DiveRow).from_select(names, copied, include_defaults=False))
        phones = cast("Table", DivePhoneRow.__table__).alias("phone")
        theirs_now = func.replace(phones.c.phone, _phone(old), _phone(number), type_=String)
        names, values = _columns(DivePhoneRow, phones, {"dive_id": fresh, "phone": theirs_now})
        copied = select(*values).select_from(theirs.join(phones, phones.c.dive_id == one.c.id))
        connection.execute(insert(DivePhoneRow).from_select(names, copied, include_defaults=False))
        heads = select(literal("dive:") + one.c.id, literal(0), literal(GENESIS), literal(0))
        connection.execute(
            insert(ChainHeadRow).from_select(
                ["chain", "seq", "hash", "checkpointed_seq"],
                heads.select_from(one).where(one.c.id >= _named(first)),  # those of an earlier window have theirs
            )
        )
    with own.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("ANALYZE"))
    own.dispose()


def _of_others(state: ColumnElement[str], old: ColumnElement[int], number: ColumnElement[int]) -> ColumnElement[str]:
    """The state with another lead and phone, so that no two dives are told the same."""
    for wanted in (lambda n: literal('"Diver ') + cast_(n, String) + '"', _phone):
        state = func.replace(state, wanted(old), wanted(number), type_=String)
    return state


def _phone(number: ColumnElement[int]) -> ColumnElement[str]:
    return literal("+4477009") + func.substr(cast_(100_000 + number % 100_000, String), 2)


def _named(number: int) -> str:
    return f"{NAMED}{number:08d}"


def _columns(
    row: type[Base], of: Any, changed: dict[str, ColumnElement[Any]]
) -> tuple[list[str], list[ColumnElement[Any]]]:
    """The columns that are copied, and what from; a number that the database gives is left to it."""
    whole = cast("Table", row.__table__)
    names = [column.name for column in whole.columns if column.name != "id" or "id" in changed]
    return names, [changed.get(name, of.c[name]) for name in names]
