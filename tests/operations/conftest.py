"""A stage for every test, and the checker over what it leaves behind."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.operations.checker import violations
from tests.operations.stage import Stage, staged


@pytest.fixture
def unchecked(migrated_url: str) -> Iterator[Stage]:
    """A stage that a test is going to break on purpose."""
    with staged(migrated_url) as stage:
        yield stage


@pytest.fixture
def stage(unchecked: Stage) -> Iterator[Stage]:
    """A stage on which everything that must always hold is asked at the end."""
    yield unchecked
    assert violations(unchecked.engine, unchecked.journal, unchecked.clock.at) == []


@pytest.fixture
def quick_stage(migrated_sqlite_url: str) -> Iterator[Stage]:
    """A stage on SQLite alone, for what is read or worded before any database is asked."""
    with staged(migrated_sqlite_url) as stage:
        yield stage
        assert violations(stage.engine, stage.journal, stage.clock.at) == []
