"""A migrated database of the test's own, once on SQLite and once on PostgreSQL, with the demo club in it."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.store.engine import open_engine, writing
from service.store.schema import migrate
from tests.store.examples import add_club


@pytest.fixture
def empty_engine(database_url: str) -> Iterator[Engine]:
    """An engine for an empty database."""
    engine = open_engine(database_url)
    yield engine
    engine.dispose()


@pytest.fixture
def engine(empty_engine: Engine) -> Engine:
    """An engine for a database at the current schema, with one club."""
    migrate(empty_engine)
    with writing(empty_engine) as session:
        add_club(session)
    return empty_engine


@pytest.fixture
def session(engine: Engine) -> Iterator[Session]:
    """A write session that commits when the test ends well."""
    with writing(engine) as opened:
        yield opened


@pytest.fixture
def postgres_engine(postgres_url: str) -> Iterator[Engine]:
    """An engine for a PostgreSQL at the current schema, with one club and short patience."""
    engine = open_engine(postgres_url, lock_timeout_s=1)
    migrate(engine)
    with writing(engine) as opened:
        add_club(opened)
    yield engine
    engine.dispose()
