"""A stage for every test, and the checker over what it leaves behind."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from sqlalchemy import Engine, event

from service.store.engine import open_engine
from tests.checker.questions import violations
from tests.operations.away import Keeping
from tests.operations.stage import BEGIN_AT, HandMovedClock, Stage, prepare, stage_on
from tests.servers.postgres import Postgres
from tests.servers.rewound import Rewound

# One engine for all tests on a database of the same kind: what it learned to compile it need not learn again, which is
# a quarter of their time. Of the database itself each test finds nothing but what was prepared.


def prepare_url(url: str) -> None:
    """Bring a database to where every stage begins."""
    engine = open_engine(url)
    prepare(engine, BEGIN_AT)
    engine.dispose()


@pytest.fixture(scope="session")
def prepared_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of a prepared database, to copy."""
    path = tmp_path_factory.mktemp("prepared") / "linetender.db"
    prepare_url(f"sqlite:///{path}")
    return path


@pytest.fixture(scope="session")
def prepared_postgres(postgres_server: Postgres) -> str:
    """The name of a prepared PostgreSQL database, to copy."""
    name = postgres_server.create_database()
    prepare_url(postgres_server.url(name))
    return name


@pytest.fixture(scope="session")
def one_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Engine:
    """The engine for all tests on SQLite."""
    engine = open_engine(f"sqlite:///{tmp_path_factory.mktemp('stage') / 'linetender.db'}")
    # No power cut is played here, and where there is a disk, waiting for it would be most of the time.
    event.listen(engine, "connect", lambda connection, _: connection.execute("PRAGMA synchronous = OFF"))
    return engine


@pytest.fixture(scope="session")
def rewound_postgres(postgres_server: Postgres, prepared_postgres: str) -> Iterator[Rewound]:
    """The database of all tests on PostgreSQL, which each finds as it was prepared."""
    rewound = Rewound(postgres_server, prepared_postgres)
    yield rewound
    rewound.remove()


@pytest.fixture
def sqlite_engine(one_sqlite: Engine, prepared_sqlite: Path) -> Iterator[Engine]:
    """An engine for a prepared SQLite database that nobody has used."""
    path = Path(one_sqlite.url.database or "")
    for left in path.parent.glob(f"{path.name}*"):
        left.unlink()
    shutil.copy(prepared_sqlite, path)
    yield one_sqlite
    one_sqlite.dispose()


@pytest.fixture
def postgres_engine(rewound_postgres: Rewound) -> Engine:
    """An engine for a prepared PostgreSQL database, of which nothing shows that another test has used it."""
    rewound_postgres.rewind()
    return rewound_postgres.engine


@pytest.fixture(
    params=[
        pytest.param("sqlite_engine", id="sqlite"),
        pytest.param("postgres_engine", id="postgresql", marks=pytest.mark.postgres),
    ]
)
def unchecked(request: pytest.FixtureRequest) -> Iterator[Stage]:
    """A stage that a test is going to break on purpose, once on SQLite and once on PostgreSQL."""
    with staged_on(request.getfixturevalue(request.param)) as stage:
        yield stage


@pytest.fixture
def stage(unchecked: Stage) -> Iterator[Stage]:
    """A stage on which everything that must always hold is asked at the end."""
    yield unchecked
    assert violations(unchecked.engine, unchecked.journal, unchecked.clock.at) == []


@pytest.fixture
def quick_stage(sqlite_engine: Engine) -> Iterator[Stage]:
    """A stage on SQLite alone, for what is read or worded before any database is asked."""
    with staged_on(sqlite_engine) as stage:
        yield stage
        assert violations(stage.engine, stage.journal, stage.clock.at) == []


@contextmanager
def staged_on(engine: Engine) -> Iterator[Stage]:
    """A stage on a prepared database, and its courier ended afterwards."""
    stage = stage_on(engine, HandMovedClock())
    try:
        yield stage
    finally:
        stage.courier.close()


@pytest.fixture
def keeping(quick_stage: Stage, tmp_path: Path) -> Iterator[Keeping]:
    """A keeper's standby on SQLite."""
    yield from kept(quick_stage, tmp_path)


@pytest.fixture
def keeping_on_both(stage: Stage, tmp_path: Path) -> Iterator[Keeping]:
    """A keeper's standby, once on SQLite and once on PostgreSQL: for what it writes into them."""
    yield from kept(stage, tmp_path)


def kept(stage: Stage, tmp_path: Path) -> Iterator[Keeping]:
    """A standby, and what it has under way ended afterwards."""
    keeping = Keeping(stage, tmp_path / "spool")
    yield keeping
    keeping.standby.close()
