"""Before the web serves it does what fell due in an outage; a sweep that is broken does not keep it from serving."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
from sqlalchemy import text

from service.cli import serving
from service.cli.serving import sweep_first, sweep_if_behind
from service.operations.service import Service
from service.store import health
from service.store.engine import open_engine, writing

NOW = datetime(2027, 6, 1, 9, tzinfo=UTC)


class StandingClock:
    """Nine o'clock."""

    def now(self) -> datetime:
        """Always the same."""
        return NOW


@pytest.fixture
def service(migrated_sqlite_url: str) -> Iterator[Service]:
    """The service on a database that nobody has swept."""
    engine = open_engine(migrated_sqlite_url)
    yield Service(engine, StandingClock(), "http://127.0.0.1:8000", "web-1")
    engine.dispose()


@pytest.mark.parametrize(("age_s", "swept"), [(None, True), (59, False), (60, True), (3600, True)])
def test_the_web_sweeps_first_after_a_minute_without(service: Service, age_s: float | None, swept: bool) -> None:  # noqa: FBT001 - a column of the table
    """So that nobody is answered by a service that is behind."""
    if age_s is not None:
        service.write(lambda session: health.beat(session, "sweep", NOW - timedelta(seconds=age_s)))

    assert sweep_if_behind(service) is swept


def test_a_sweep_that_fails_does_not_keep_the_web_from_serving(
    service: Service, caplog: pytest.LogCaptureFixture
) -> None:
    """It is logged, and texts come in."""
    with writing(service.engine) as session:
        session.execute(text("DROP TABLE heartbeats"))

    sweep_first(service)

    assert "sweep_before_serving_failed" in caplog.messages


def test_a_sweep_that_hangs_does_not_keep_the_web_from_serving(
    service: Service, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """It is waited for so long and no longer, and goes on by itself."""
    released = threading.Event()
    monkeypatch.setattr(serving, "sweep_if_behind", lambda _: released.wait(30))
    began = time.monotonic()

    sweep_first(service, within_s=0.1)

    assert time.monotonic() - began < 20
    assert "sweep_before_serving_goes_on" in caplog.messages
    released.set()
