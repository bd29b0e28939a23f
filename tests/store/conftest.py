"""A database of the test's own at the current schema, with one club: once on SQLite, once on PostgreSQL."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from functools import cache
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
def one_sqlite_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of all tests on SQLite, which each finds as it was prepared."""
    return tmp_path_factory.mktemp("store") / "linetender.db"


@pytest.fixture(scope="session")
def rewound_postgres(postgres_server: Postgres, postgres_template: str) -> Iterator[Rewound]:
    """The database of all tests on PostgreSQL, which each finds as it was prepared."""
    rewound = Rewound(postgres_server, postgres_template)
    yield rewound
    rewound.remove()


@pytest.fixture(scope="session")
def engine_for() -> Callable[[str], Engine]:
    """The engine for a URL, the same each time."""
    return cache(open_engine)


@pytest.fixture
def sqlite_url(sqlite_template: Path, one_sqlite_path: Path) -> str:
    """A prepared SQLite database that nobody has used."""
    for left in one_sqlite_path.parent.glob(f"{one_sqlite_path.name}*"):
        left.unlink()
    return f"sqlite:///{shutil.copy(sqlite_template, one_sqlite_path)}"


@pytest.fixture
def prepared_postgres_url(rewound_postgres: Rewound) -> str:
    """A prepared PostgreSQL database, of which nothing shows that another test has used it."""
    rewound_postgres.rewind()
    return rewound_postgres.url


@pytest.fixture(
    params=[
        pytest.param("sqlite_url", id="sqlite"),
        pytest.param("prepared_postgres_url", id="postgresql", marks=pytest.mark.postgres),
    ]
)
def engine(request: pytest.FixtureRequest, engine_for: Callable[[str], Engine]) -> Iterator[Engine]:
    """An engine for a prepared database, once on SQLite and once on PostgreSQL."""
    opened = engine_for(request.getfixturevalue(request.param))
    yield opened
    opened.dispose()


@pytest.fixture
def session(engine: Engine) -> Iterator[Session]:
    """A write session that commits when the test ends well."""
    with writing(engine) as opened:
        yield opened


@pytest.fixture
def postgres_engine(prepared_postgres_url: str) -> Iterator[Engine]:
    """An engine for a prepared PostgreSQL, with short patience."""
    opened = open_engine(prepared_postgres_url, lock_timeout_s=1)
    yield opened
    opened.dispose()


@pytest.fixture
def empty_engine(database_url: str) -> Iterator[Engine]:
    """An engine for an empty database, once on SQLite and once on PostgreSQL."""
    opened = open_engine(database_url)
    yield opened
    opened.dispose()
