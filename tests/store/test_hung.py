"""Transactions whose line falls silent in the middle of a send: the server would keep them and their locks for ever."""

from __future__ import annotations

import psycopg
import pytest
from psycopg import OperationalError
from sqlalchemy import Engine, text

from service.store.engine import OURS
from service.store.hung import end_hung
from tests.servers.cut_off import cut_off
from tests.servers.rewound import Rewound

LOCK = "SELECT id FROM clubs FOR UPDATE NOWAIT"


@pytest.fixture
def url(prepared_postgres: Rewound) -> str:
    """A PostgreSQL database that has a club, as the driver itself takes it."""
    return prepared_postgres.engine.url.set(drivername="postgresql").render_as_string(hide_password=False)


def locked(url: str) -> bool:
    """Whether somebody has the club's row."""
    with psycopg.connect(url) as connection:
        try:
            connection.execute(LOCK)
        except OperationalError:
            return True
    return False


@pytest.mark.postgres
def test_what_a_silent_line_has_locked_is_free_again(prepared_postgres: Rewound, url: str) -> None:
    """None of the server's own time-outs ends it, however short they are."""
    limits = "-c statement_timeout=100 -c idle_in_transaction_session_timeout=100"
    with cut_off(url, LOCK, application_name=OURS, options=limits):
        with prepared_postgres.engine.connect() as connection:
            connection.execute(text("SELECT pg_sleep(0.5)"))
        assert locked(url)

        assert end_hung(prepared_postgres.engine, 0.2) == 1

        assert not locked(url)
        assert end_hung(prepared_postgres.engine, 0.2) == 0


@pytest.mark.postgres
def test_who_may_still_go_on_is_left_alone(prepared_postgres: Rewound, url: str) -> None:
    """The rest may just be coming, or it is another program's."""
    with cut_off(url, LOCK, application_name=OURS):
        assert end_hung(prepared_postgres.engine, 60.0) == 0
        assert locked(url)
    with cut_off(url, LOCK, application_name="psql"):
        assert end_hung(prepared_postgres.engine, 0.0) == 0
        assert locked(url)


@pytest.mark.postgres
def test_a_transaction_between_two_statements_is_for_the_server_to_end(prepared_postgres: Rewound, url: str) -> None:
    """It has a time-out for that."""
    with psycopg.connect(url, application_name=OURS) as connection:
        connection.execute(LOCK)

        assert end_hung(prepared_postgres.engine, 0.0) == 0
        assert locked(url)


def test_sqlite_has_none(prepared_sqlite: Engine) -> None:
    """There is no line that could fall silent."""
    assert end_hung(prepared_sqlite) == 0
