"""The column types keep their promise on both databases."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.store import health, opt_outs
from service.store.engine import reading, writing
from service.store.tables import HeartbeatRow, OptOutRow
from service.store.types import NaiveTimeError, storable, utc
from tests.store.examples import ANNA, NOW, NUMBER

INSTANTS = [
    NOW,
    datetime(2027, 6, 1, 10, 0, tzinfo=timezone(timedelta(hours=5))),
    datetime(2027, 10, 31, 1, 30, tzinfo=ZoneInfo("Europe/London"), fold=1),
    datetime(1969, 12, 31, 23, 59, 59, 999999, tzinfo=UTC),
    datetime(2027, 6, 1, 9, 0, 0, 1, tzinfo=UTC),
]


@pytest.mark.parametrize("at", INSTANTS, ids=str)
def test_an_instant_comes_back_as_the_same_instant_in_utc(engine: Engine, at: datetime) -> None:
    """The offset is never dropped: an alarm must not ring hours late because of it."""
    with writing(engine) as session:
        health.beat(session, "sweep", at)

    with reading(engine) as session:
        found = session.execute(select(HeartbeatRow.at)).scalar_one()

    assert found == at.astimezone(UTC)
    assert found.utcoffset() == timedelta(0)


def test_an_instant_written_with_an_offset_is_found_by_a_query_in_utc(engine: Engine) -> None:
    """05:30 in UTC is after 10:00 at +05:00, also inside the database."""
    at = datetime(2027, 6, 1, 10, 0, tzinfo=timezone(timedelta(hours=5)))
    with writing(engine) as session:
        health.beat(session, "sweep", at)

    with reading(engine) as session:
        query = select(HeartbeatRow.name).where(HeartbeatRow.at <= datetime(2027, 6, 1, 5, 30, tzinfo=UTC))
        assert session.execute(query).scalar_one() == "sweep"


def test_a_naive_datetime_is_refused_on_the_way_in(engine: Engine) -> None:
    """A time without a zone gets into no row."""
    with pytest.raises(NaiveTimeError, match="2027-06-01T09:00:00 has no zone"), writing(engine) as session:
        health.beat(session, "sweep", datetime(2027, 6, 1, 9, 0))  # noqa: DTZ001 - the fault to find


def test_a_naive_datetime_is_refused_in_a_query(session: Session) -> None:
    """A time without a zone finds no row either, instead of the wrong ones."""
    with pytest.raises(NaiveTimeError):
        session.execute(select(HeartbeatRow).where(HeartbeatRow.at <= NOW.replace(tzinfo=None)))


def test_an_empty_instant_stays_empty(session: Session) -> None:
    """A moment that has not come is nothing, not 1970."""
    opt_outs.opt_out(session, NUMBER, ANNA, NOW)

    assert session.execute(select(OptOutRow.until_at)).scalar_one() is None


@pytest.mark.parametrize(
    ("given", "kept"),
    [
        ("héllo 👋 Ω", "héllo 👋 Ω"),
        ("nul\x00here", "nul\ufffdhere"),
        ("half \ud83d pair", "half \ufffd pair"),
        ("", ""),
    ],
)
def test_any_text_can_be_kept(engine: Engine, given: str, kept: str) -> None:
    """What the database cannot hold is replaced, so that the rest of a text is never lost."""
    with writing(engine) as session:
        health.beat(session, "sweep", NOW, given)

    with reading(engine) as session:
        assert session.execute(select(HeartbeatRow.detail)).scalar_one() == kept
    assert storable(given) == kept


def test_utc_refuses_a_naive_datetime() -> None:
    """The edge functions refuse before any database does."""
    with pytest.raises(NaiveTimeError):
        utc(NOW.replace(tzinfo=None))
