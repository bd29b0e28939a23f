"""What an idle sweep costs with many armed dives, beside a bare SELECT 1 on the same database in the same run."""

from __future__ import annotations

import statistics
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta

from sqlalchemy import Engine, event, text

from service.operations.service import Service
from service.operations.sweeping import sweep
from service.store import schema
from service.store.engine import open_engine
from service.store.seed import seed
from tests.bench.armed import MovedClock, arm

ARMED = 10_000
ROUNDS = 50
DATABASE_MS_MAX = 10.0


@contextmanager
def database_time(engine: Engine) -> Iterator[list[float]]:
    """Collects the seconds that each statement takes, from sending it to having its answer."""
    spent: list[float] = []
    began: list[float] = []

    def before(*_: object) -> None:
        began.append(time.perf_counter())

    def after(*_: object) -> None:
        spent.append(time.perf_counter() - began.pop())

    event.listen(engine, "before_cursor_execute", before)
    event.listen(engine, "after_cursor_execute", after)
    try:
        yield spent
    finally:
        event.remove(engine, "before_cursor_execute", before)
        event.remove(engine, "after_cursor_execute", after)


def test_idle_sweep(database_url: str) -> None:
    """10,000 armed dives, none due: at most 10 ms of database time a sweep."""
    now = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
    engine = open_engine(database_url)
    schema.migrate(engine)
    service = Service(engine, MovedClock(now), "https://dive.example", "bench")
    service.write(lambda session: seed(session, now, admin_password="not a real password"))
    arm(service, ARMED, lambda number: now + timedelta(hours=2, seconds=number), until=now, with_log=False)
    sweep(service)

    per_sweep, per_select = [], []
    for _ in range(ROUNDS):
        with database_time(engine) as spent:
            swept = sweep(service)
        assert swept.decided == 0
        per_sweep.append(sum(spent) * 1000)
        with engine.connect() as connection, database_time(engine) as spent:
            connection.execute(text("SELECT 1"))
        per_select.append(sum(spent) * 1000)
    median, bare = statistics.median(per_sweep), statistics.median(per_select)
    engine.dispose()

    print(f"\nidle sweep, {ARMED} armed, {engine.dialect.name}: median {median:.2f} ms of database time,")
    print(f"  largest {max(per_sweep):.2f} ms; a bare SELECT 1: {bare:.2f} ms; ratio {median / bare:.0f}")
    assert median <= DATABASE_MS_MAX
