"""A web process on a database of its own."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from service.operations.service import Service
from service.store import schema
from service.store.engine import open_engine
from service.web import create_app
from tests.web.installation import GATEWAY, PRACTICE, PUBLIC_URL, Nudges, Site, StillClock, seed, settings_for


@pytest.fixture(scope="session")
def migrated(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of an empty database at the current schema, to copy."""
    path = tmp_path_factory.mktemp("migrated") / "empty.db"
    engine = open_engine(f"sqlite:///{path}")
    schema.migrate(engine)
    engine.dispose()
    return path


@pytest.fixture
def engine(tmp_path: Path, migrated: Path) -> Iterator[Engine]:
    """A migrated SQLite database of this test's own."""
    opened = open_engine(f"sqlite:///{shutil.copy(migrated, tmp_path / 'web.db')}")
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
