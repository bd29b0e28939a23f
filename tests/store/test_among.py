"""A column that is one of several values, whatever they are and however many, on both databases."""

from __future__ import annotations

import pytest
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.store.among import among, one_of
from service.store.tables import ChainHeadRow
from service.store.upsert import insert_rows, table

_ROW = table(ChainHeadRow).c
_BY_NAME = select(_ROW.chain).where(among(_ROW.chain, "names")).order_by(_ROW.chain)
_BY_NUMBER = select(_ROW.chain).where(among(_ROW.seq, "numbers")).order_by(_ROW.seq)
ODD = ["'", '"', "\\", "{a,b}", "NULL", "null", "", "a,b", "\u00e5", "%s", "[1]", "\n"]


@pytest.fixture(autouse=True)
def _heads(session: Session) -> None:
    chains = [*ODD, *(f"c{number}" for number in range(500))]
    rows = [{"chain": chain, "seq": seq, "hash": "h", "checkpointed_seq": 0} for seq, chain in enumerate(chains)]
    insert_rows(session, ChainHeadRow, *rows)


@pytest.mark.parametrize("name", ODD)
def test_a_text_is_found_letter_by_letter(session: Session, name: str) -> None:
    """And nothing else is found with it."""
    assert list(session.execute(_BY_NAME, {"names": [name, "nobody"]}).scalars()) == [name]


@pytest.mark.parametrize("count", [0, 1, 2, 500])
def test_as_many_are_found_as_are_named(session: Session, count: int) -> None:
    """None of none, and hundreds as one."""
    names = {f"c{number}" for number in range(count)}

    assert list(session.execute(_BY_NAME, {"names": names}).scalars()) == sorted(names)


def test_numbers_are_found_as_numbers(session: Session) -> None:
    """Not as texts."""
    found = session.execute(_BY_NUMBER, {"numbers": (len(ODD), len(ODD) + 10, 10_000)}).scalars()

    assert list(found) == ["c0", "c10"]


def test_words_of_ours_stand_in_the_statement(session: Session) -> None:
    """They take no parameter, so that nothing is put together at a run; what is no plain word is refused."""
    wanted = select(_ROW.chain).where(one_of(_ROW.chain, "c1", "c2", "nobody")).order_by(_ROW.chain)

    assert list(session.execute(wanted).scalars()) == ["c1", "c2"]
    assert not wanted.compile().params
    with pytest.raises(ValueError, match="plain word"):
        one_of(_ROW.chain, "c1", "x' OR 'x' = 'x")
