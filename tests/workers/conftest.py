"""Settings and a stage for tests of the processes."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from service.settings import Settings
from tests.operations.stage import Stage, staged


def settings_for(database_url: str, broker_url: str = "redis://127.0.0.1:1/0") -> Settings:
    """Settings as of a process, with one gateway that nobody answers."""
    return Settings(
        database_url=database_url,
        broker_url=broker_url,
        secret_key="k" * 64,
        public_url="http://127.0.0.1:8000",
        gateways=(
            '[{"name": "one", "kind": "form-post", "base_url": "http://127.0.0.1:1", "account": "AC1", '
            '"token": "t", "sender": "+447700900500"}]'
        ),
    )


@pytest.fixture
def settings(migrated_sqlite_url: str) -> Settings:
    """Settings with a database of this test's own and a broker that is not there."""
    return settings_for(migrated_sqlite_url)


@pytest.fixture
def stage(settings: Settings) -> Iterator[Stage]:
    """A club on the SQLite database of the settings, with a clock moved by hand."""
    with staged(settings.database_url) as stage:
        yield stage
