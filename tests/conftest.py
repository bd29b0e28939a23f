"""What every test has: this machine only, databases, a broker, and honest groups for parallel runs."""

from __future__ import annotations

import gc
import os
import random
import shutil
from collections.abc import Iterator
from pathlib import Path

import freezegun
import pytest
from hypothesis import Phase, settings

from service.store.engine import open_engine
from service.store.schema import migrate
from tests.fakes.drawn import drawn_by
from tests.fakes.url_builders import keep_url_builders
from tests.servers.broker import Broker
from tests.servers.memory import write_to_memory
from tests.servers.migrated import lay_migrated
from tests.servers.network import forbid_outside, take_attempts
from tests.servers.postgres import Postgres, start_postgres

settings.register_profile("dev", deadline=None, print_blob=True, max_examples=100)
# Making a failing life of a dive smaller takes minutes, longer than a test may take: a failure must be seen at once.
settings.register_profile(
    "ci", deadline=None, print_blob=True, max_examples=100, phases=(Phase.explicit, Phase.reuse, Phase.generate)
)

# Tests with one of these marks share real processes or a browser: one after another, on one worker.
GROUPED_MARKS = ("processes", "browser")
GROUP = "heavy"
RULES = Path(__file__).parent / "rules"  # on one worker too, since each would parse all our modules


def pytest_configure(config: pytest.Config) -> None:
    """Shut the network and choose where and how long is tried, before any test is loaded."""
    forbid_outside()
    write_to_memory()
    keep_url_builders()
    # Waiting for a server that a test started goes by the real clock, also while the test's own is frozen.
    freezegun.configure(extend_ignore_list=["tests.servers"])
    settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE") or ("ci" if os.environ.get("CI") else "dev"))


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep heavy tests on one worker, so that they do not take each other's time, and those of one reading too."""
    for item in items:
        if any(map(item.get_closest_marker, GROUPED_MARKS)):
            item.add_marker(pytest.mark.xdist_group(GROUP))
        elif RULES in item.path.parents:
            item.add_marker(pytest.mark.xdist_group(RULES.name))


@pytest.hookimpl(wrapper=True)
def pytest_collection() -> Iterator[None]:
    """Look for no garbage while tests are loaded: nearly all that comes stays, and each look goes through all of it."""
    gc.disable()
    try:
        return (yield)
    finally:
        gc.enable()


def pytest_collection_finish(session: pytest.Session) -> None:
    """Refuse to run where heavy tests are not kept together, since they would disturb each other."""
    # What stands for the tests stays to the end: to look through all of it for garbage took a seventh of their time.
    gc.collect()
    gc.freeze()
    if not session.config.getoption("loadgroup", default=False):
        return
    grouped = [item for item in session.items if any(map(item.get_closest_marker, GROUPED_MARKS))]
    if not all(GROUP in item.nodeid.rpartition("@")[2] for item in grouped):
        raise pytest.UsageError("pytest-xdist does not group tests with this pytest: see pyproject.toml")


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """Say loudly where no browser test ran, so that nobody takes the rest for the whole."""
    skipped = [str(report.longrepr) for report in terminalreporter.stats.get("skipped", [])]
    missing = sum("no Chromium" in reason for reason in skipped)
    if missing:
        terminalreporter.write_sep(
            "*",
            f"{missing} BROWSER TESTS DID NOT RUN: install chromium and chromium-driver",
            red=True,
            bold=True,
        )


@pytest.fixture(autouse=True)
def stays_on_this_machine() -> Iterator[None]:
    """Fail a test that tried to reach another machine, even where the code swallowed the refusal."""
    take_attempts()
    yield
    attempts = take_attempts()
    assert not attempts, f"tried to leave this machine: {attempts}"


@pytest.fixture(autouse=True)
def draws_the_same_each_time(request: pytest.FixtureRequest) -> Iterator[None]:
    """References, codes and ids by the test's name: two references that are equal by chance fail it always or never."""
    with drawn_by(random.Random(request.node.nodeid)):
        yield


@pytest.fixture(scope="session")
def postgres_server() -> Iterator[Postgres]:
    """One PostgreSQL for this test process; fails loudly, with what to install, where there is none."""
    server = start_postgres()
    yield server
    server.remove()


@pytest.fixture
def postgres_url(postgres_server: Postgres) -> Iterator[str]:
    """The URL of an empty PostgreSQL database of this test's own."""
    name = postgres_server.create_database()
    yield postgres_server.url(name)
    postgres_server.drop_database(name)


@pytest.fixture(
    params=[
        pytest.param("sqlite", id="sqlite"),
        pytest.param("postgresql", id="postgresql", marks=pytest.mark.postgres),
    ]
)
def database_url(request: pytest.FixtureRequest, tmp_path: Path) -> str:
    """The URL of an empty database of this test's own, once on SQLite and once on PostgreSQL."""
    if request.param == "sqlite":
        return f"sqlite:///{tmp_path / 'linetender.db'}"
    url: str = request.getfixturevalue("postgres_url")
    return url


@pytest.fixture(scope="session")
def migrated_sqlite(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The file of an empty database at the current schema, to copy, since migrating for every test takes long."""
    path = tmp_path_factory.mktemp("migrated") / "linetender.db"
    lay_migrated(f"sqlite:///{path}")
    return path


@pytest.fixture(scope="session")
def migrated_postgres(postgres_server: Postgres) -> str:
    """The name of an empty PostgreSQL database at the current schema, to copy."""
    name = postgres_server.create_database()
    engine = open_engine(postgres_server.url(name))
    migrate(engine)
    engine.dispose()
    return name


@pytest.fixture
def migrated_sqlite_url(migrated_sqlite: Path, tmp_path: Path) -> str:
    """The URL of a SQLite database of this test's own at the current schema."""
    return f"sqlite:///{shutil.copy(migrated_sqlite, tmp_path / 'linetender.db')}"


@pytest.fixture
def migrated_postgres_url(postgres_server: Postgres, migrated_postgres: str) -> Iterator[str]:
    """The URL of a PostgreSQL database of this test's own at the current schema."""
    name = postgres_server.create_database(migrated_postgres)
    yield postgres_server.url(name)
    postgres_server.drop_database(name)


@pytest.fixture(
    params=[
        pytest.param("migrated_sqlite_url", id="sqlite"),
        pytest.param("migrated_postgres_url", id="postgresql", marks=pytest.mark.postgres),
    ]
)
def migrated_url(request: pytest.FixtureRequest) -> str:
    """The URL of a database of this test's own at the current schema, once on SQLite and once on PostgreSQL."""
    url: str = request.getfixturevalue(request.param)
    return url


@pytest.fixture
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """A broker of this test's own, which it may kill by `broker.pid` and start again."""
    server = Broker(tmp_path_factory.mktemp("broker"))
    try:
        server.start()
        yield server
    finally:
        server.kill()


@pytest.fixture
def broker_url(broker: Broker) -> str:
    """Where this test's broker listens."""
    return broker.url
