"""What an idle sweep costs with a million armed dives, beside a bare SELECT 1 on the same database in the same run."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from datetime import UTC, datetime

from sqlalchemy import text

from service.operations.service import Service
from service.operations.sweeping import sweep
from service.store import schema
from service.store.engine import open_engine
from service.store.seed import seed
from tests.bench import results
from tests.bench.armed import MovedClock
from tests.bench.filling import fill

ARMED = int(os.environ.get("BENCH_ARMED", "1000000"))
ROUNDS = 300
RATIO_MAX = 3.0
NOW = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)


def in_turn(works: tuple[Callable[[], object], ...], rounds: int) -> list[list[float]]:
    """How long each of them took, in microseconds, one after the other in each round, so that all see one machine."""
    spent: list[list[float]] = [[] for _ in works]
    for _ in range(rounds):
        for work, taken in zip(works, spent, strict=True):
            taken.append(results.timed(work, time.perf_counter) * 1e6)
    return spent


def test_idle_sweep(database_url: str) -> None:
    """None due of all that are armed: at most three times a bare SELECT 1, all told, round trip and Python."""
    engine = open_engine(database_url)
    schema.migrate(engine)
    clock = MovedClock(NOW)
    service = Service(engine, clock, "https://dive.example", "bench")
    service.write(lambda session: seed(session, NOW, admin_password="not a real password"))
    fill(service, clock, 0, ARMED)
    sweep(service)

    def bare() -> None:
        with engine.connect() as connection:
            connection.execute(text("SELECT 1")).scalar_one()

    def idle() -> None:
        assert sweep(service).decided == 0

    in_turn((idle, bare), 20)
    sweeps, selects = in_turn((idle, bare), ROUNDS)
    kind = engine.dialect.name
    engine.dispose()

    found = results.note(f"idle sweep, {kind}", sweeps, "us", beside=selects, beside_name="SELECT 1", armed=ARMED)
    assert found.ratio is not None
    assert found.ratio <= RATIO_MAX
