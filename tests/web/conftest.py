"""A web process on a database of its own."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from service.operations.service import Service
from service.store.engine import open_engine
from service.web import create_app
from tests.web.installation import GATEWAY, PRACTICE, PUBLIC_URL, Nudges, Site, StillClock, seed, settings_for


@pytest.fixture
def engine(migrated_sqlite_url: str) -> Iterator[Engine]:
    """A migrated SQLite database of this test's own."""
    opened = open_engine(migrated_sqlite_url)
    yield opened
    opened.dispose()


@pytest.fixture
def clock() -> StillClock:
    """The clock of the test."""
    return StillClock()


@pytest.fixture
def at(engine: Engine, clock: StillClock) -> Site:
    """The installation: a seeded club, and the web process as a demo has it."""
    nudges = Nudges()
    service = Service(engine, clock, PUBLIC_URL, "web-test", nudges)
    seed(service, clock.now())
    app = create_app(service, settings_for(str(engine.url)), (GATEWAY, PRACTICE))
    return Site(service, clock, app, nudges=nudges)


@pytest.fixture
def client(at: Site) -> FlaskClient:
    """A browser without JavaScript, or a script."""
    return at.app.test_client()
