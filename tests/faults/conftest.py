"""One installation for the tests of this directory, since it takes ten seconds to start; each leaves it well."""

from __future__ import annotations

import sys
from collections.abc import Generator, Iterator

import pytest

from tests.end_to_end.evidence import ends_of_logs, told_of_journal
from tests.faults.rig import Rig, rigged

FAILED = pytest.StashKey[bool]()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Note a failure for the fixture that shows what the processes have to say of it."""
    report = yield
    item.stash[FAILED] = item.stash.get(FAILED, False) or report.failed
    return report


@pytest.fixture(scope="module")
def running() -> Iterator[Rig]:
    """An installation on PostgreSQL with everything running."""
    with rigged(on_postgres=True) as rig:
        yield rig


@pytest.fixture
def rig(running: Rig, request: pytest.FixtureRequest) -> Iterator[Rig]:
    """The same; of a test that fails it shows the logs and journals."""
    yield running
    if request.node.stash.get(FAILED, False):
        journals = [told_of_journal(gateway.taken()) for gateway in running.gateways]
        sys.stdout.write("\n".join([ends_of_logs(running.directory), *journals]))
