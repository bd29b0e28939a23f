"""What PostgreSQL has ready, read and planned, for a connection stays ready."""

from __future__ import annotations

import pytest
from sqlalchemy import Engine, text

from service.store import health
from service.store.engine import glancing, reading, writing
from tests.store.examples import NOW

pytestmark = pytest.mark.postgres

OFTEN = 8  # the driver has a statement made ready at the sixth time
READY = text("SELECT count(*) FROM pg_prepared_statements WHERE statement LIKE :like")


def ready(engine: Engine, like: str) -> int:
    """How many statements like this the server has ready for the one connection."""
    with glancing(engine) as line:
        return int(line.execute(READY, {"like": like}).scalar_one())


def test_what_the_server_has_ready_outlasts_a_reading(postgres_engine: Engine) -> None:
    """A statement that comes again and again is read and planned once, and not each time."""
    for _ in range(OFTEN):
        with reading(postgres_engine) as session:
            assert health.heartbeat(session, "sweep") is None

    assert ready(postgres_engine, "%heartbeats.name = $1%") == 1


def test_a_transaction_that_reads_keeps_what_is_ready_for_those_that_write(postgres_engine: Engine) -> None:
    """They take turns on one connection."""
    for _ in range(OFTEN):
        with writing(postgres_engine) as session:
            health.beat(session, "sweep", NOW)
        with reading(postgres_engine) as session:
            assert health.heartbeat(session, "keeper") is None

    assert ready(postgres_engine, "UPDATE heartbeats%") == 1


def test_more_statements_are_ready_than_the_driver_keeps_by_itself(postgres_engine: Engine) -> None:
    """A busy process has more than a hundred, and each that came would push out one that is needed next."""
    for _ in range(OFTEN):
        with reading(postgres_engine) as session:
            for number in range(150):
                session.execute(text(f"SELECT :value + {number} AS many"), {"value": 1})

    assert ready(postgres_engine, "%AS many") == 150
