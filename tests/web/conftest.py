"""A web process on a database of its own."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from io import BytesIO
from pathlib import Path

import pytest
from flask import Flask
from flask.testing import FlaskClient
from jinja2 import BytecodeCache
from jinja2.bccache import Bucket
from sqlalchemy import Engine

from service.operations.service import Service
from service.store.engine import open_engine
from service.web import create_app
from tests.web.installation import GATEWAY, PRACTICE, PUBLIC_URL, Nudges, Site, StillClock, seed, settings_for


class Compiled(BytecodeCache):
    """Templates that were compiled, for all applications of the tests: compiling takes longer than most tests."""

    def __init__(self) -> None:
        self._code: dict[str, bytes] = {}

    def load_bytecode(self, bucket: Bucket) -> None:
        """Take what is there; it is not used where the template has changed."""
        if bucket.key in self._code:
            bucket.load_bytecode(BytesIO(self._code[bucket.key]))

    def dump_bytecode(self, bucket: Bucket) -> None:
        """Keep it."""
        kept = BytesIO()
        bucket.write_bytecode(kept)
        self._code[bucket.key] = kept.getvalue()


@pytest.fixture(scope="session", autouse=True)
def templates_compiled_once() -> Iterator[None]:
    """Every application of the tests shares what was compiled."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Flask, "jinja_options", {"bytecode_cache": Compiled()})
        yield


@pytest.fixture(scope="session")
def one_engine(tmp_path_factory: pytest.TempPathFactory) -> Engine:
    """The engine for all tests: what it learned to compile it need not learn again."""
    return open_engine(f"sqlite:///{tmp_path_factory.mktemp('web') / 'linetender.db'}")


@pytest.fixture
def engine(one_engine: Engine, migrated_sqlite: Path) -> Iterator[Engine]:
    """A migrated SQLite database that nobody has used."""
    path = Path(one_engine.url.database or "")
    for left in path.parent.glob(f"{path.name}*"):
        left.unlink()
    shutil.copy(migrated_sqlite, path)
    yield one_engine
    one_engine.dispose()


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
