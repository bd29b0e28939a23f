"""A database of the test's own at the current schema, with one club: once on SQLite, once on PostgreSQL."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from sqlalchemy import Engine
from sqlalchemy.orm import Session

from service.store.engine import open_engine, writing
from service.store.schema import migrate
from tests.servers.postgres import Postgres
from tests.servers.rewound import Rewound
from tests.store.examples import add_club


def prepare(url: str) -> None:
    """Bring an empty database to the current schema and add the club."""
    engine = open_engine(url)
    migrate(engine)
    with writing(engine) as session:
        add_club(session)
    engine.dispose()


# One engine for all tests on a database of the same kind: what it learned to compile it need not learn again. Of the
# database itself each test finds nothing but what was prepared.


@pytest.fixture(scope="session")
def sqlite_template(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A prepared SQLite file to copy, since migrating for every test takes long."""
    path = tmp_path_factory.mktemp("template") / "linetender.db"
    prepare(f"sqlite:///{path}")
    return path


@pytest.fixture(scope="session")
def postgres_template(postgres_server: Postgres) -> str:
    """The name of a prepared PostgreSQL database to copy."""
    name = postgres_server.create_database()
    prepare(postgres_server.url(name))
    return name


@pytest.fixture(scope="session")
def rewound_postgres(postgres_server: Postgres, postgres_template: str) -> Iterator[Rewound]:
    """The database of all tests on PostgreSQL, which each finds as it was prepared."""
    rewound = Rewound(postgres_server, postgres_template)
    yield rewound
    rewound.remove()


@pytest.fixture(scope="session")
def one_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Engine:
    """The engine for all tests on SQLite."""
    return open_engine(f"sqlite:///{tmp_path_factory.mktemp('store') / 'linetender.db'}")


@pytest.fixture
def prepared_sqlite(one_sqlite: Engine, sqlite_template: Path) -> Iterator[Engine]:
    """An engine for a prepared SQLite database that nobody has used."""
    path = Path(one_sqlite.url.database or "")
    for left in path.parent.glob(f"{path.name}*"):
        left.unlink()
    shutil.copy(sqlite_template, path)
    yield one_sqlite
    one_sqlite.dispose()


@pytest.fixture
def prepared_postgres(rewound_postgres: Rewound) -> Rewound:
    """A prepared PostgreSQL database, of which nothing shows that another test has used it."""
    rewound_postgres.rewind()
    return rewound_postgres


@pytest.fixture(
    params=[
        pytest.param("sqlite", id="sqlite"),
        pytest.param("postgresql", id="postgresql", marks=pytest.mark.postgres),
    ]
)
def engine(request: pytest.FixtureRequest) -> Engine:
    """An engine for a prepared database, once on SQLite and once on PostgreSQL."""
    if request.param == "sqlite":
        opened: Engine = request.getfixturevalue("prepared_sqlite")
        return opened
    prepared: Rewound = request.getfixturevalue("prepared_postgres")
    return prepared.engine


@pytest.fixture
def session(engine: Engine) -> Iterator[Session]:
    """A write session that commits when the test ends well."""
    with writing(engine) as opened:
        yield opened


@pytest.fixture
def postgres_engine(prepared_postgres: Rewound) -> Iterator[Engine]:
    """An engine for a prepared PostgreSQL, with short patience."""
    opened = open_engine(prepared_postgres.url, lock_timeout_s=1)
    yield opened
    opened.dispose()


@pytest.fixture
def empty_engine(database_url: str) -> Iterator[Engine]:
    """An engine for an empty database, once on SQLite and once on PostgreSQL."""
    opened = open_engine(database_url)
    yield opened
    opened.dispose()
