"""What every test has: this machine only, databases, a broker, and honest groups for parallel runs."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import freezegun
import pytest
from hypothesis import settings

from tests.servers.broker import Broker
from tests.servers.network import forbid_outside, take_attempts
from tests.servers.postgres import Postgres, start_postgres

settings.register_profile("dev", deadline=None, print_blob=True, max_examples=100)
settings.register_profile("ci", deadline=None, print_blob=True, max_examples=150)

# Tests with one of these marks share real processes or a browser: one after another, on one worker.
GROUPED_MARKS = ("processes", "browser")
GROUP = "heavy"


def pytest_configure(config: pytest.Config) -> None:
    """Shut the network and choose how long properties are tried, before any test is loaded."""
    forbid_outside()
    # Waiting for a server that a test started goes by the real clock, also while the test's own is frozen.
    freezegun.configure(extend_ignore_list=["tests.servers"])
    settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE") or ("ci" if os.environ.get("CI") else "dev"))


@pytest.hookimpl(tryfirst=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Keep heavy tests on one worker, so that they do not take each other's time."""
    for item in items:
        if any(map(item.get_closest_marker, GROUPED_MARKS)):
            item.add_marker(pytest.mark.xdist_group(GROUP))


def pytest_collection_finish(session: pytest.Session) -> None:
    """Refuse to run where heavy tests are not kept together, since they would disturb each other."""
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


@pytest.fixture
def broker(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Broker]:
    """A broker of this test's own, which it may kill by `broker.pid` and start again."""
    server = Broker(tmp_path_factory.mktemp("broker"))
    server.start()
    yield server
    server.kill()


@pytest.fixture
def broker_url(broker: Broker) -> str:
    """Where this test's broker listens."""
    return broker.url
