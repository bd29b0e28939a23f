"""How cost grows with the number of dives, messages and log entries that are there: it should hardly do so."""

from __future__ import annotations

import os
import time
from datetime import UTC, datetime, timedelta

import pytest

from service.domain.dive.state import Phase
from service.operations.service import Service
from service.operations.sweeping import sweep
from service.store import dive_lists, log, schema
from service.store.engine import open_engine
from service.store.seed import seed
from tests.bench import results
from tests.bench.armed import MovedClock, arm
from tests.bench.filling import fill

LARGEST = int(os.environ.get("BENCH_LARGEST", "100000"))
SIZES = [size for size in (1_000, 10_000, 100_000, 1_000_000) if size <= LARGEST]
ROUNDS = 20
DECIDED = 200  # a whole batch
BATCHES = 5
LISTED = 100
GROWS_MAX = 4.0  # from the smallest to the largest size, of the least disturbed run at each
NOW = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)


def test_cost_by_size(database_url: str) -> None:
    """An idle sweep, one decision in a batch, the check of one dive's chain, and the first page of a club's dives."""
    engine = open_engine(database_url)
    schema.migrate(engine)
    clock = MovedClock(NOW)
    service = Service(engine, clock, "https://dive.example", "bench")
    service.write(lambda session: seed(session, NOW, admin_password="not a real password"))
    found: dict[str, list[float]] = {}
    for step, size in enumerate(SIZES):
        there = SIZES[step - 1] if step else 0
        fill(service, clock, there, size - there)
        for name, runs in measured(service, clock, 1 + step).items():
            figure = results.note(f"{name}, {engine.dialect.name}, {size} dives", runs, "us")
            found.setdefault(name, []).append(min(figure.runs))  # what the machine does besides only adds
    engine.dispose()
    for name, figures in found.items():
        assert figures[-1] <= GROWS_MAX * figures[0], (name, figures)


def measured(service: Service, clock: MovedClock, step: int) -> dict[str, list[float]]:
    """Each figure's runs at this size, in microseconds."""
    first = step * BATCHES * DECIDED

    def alert_at(number: int) -> datetime:
        """One batch is due each second."""
        return clock.at + timedelta(minutes=16, seconds=number // DECIDED)

    arm(service, BATCHES * DECIDED, alert_at, until=clock.at, with_log=True, first=first)
    sweep(service)
    idle = [results.timed(lambda: sweep(service), time.perf_counter) * 1e6 for _ in range(ROUNDS)]
    clock.at += timedelta(minutes=16, seconds=-1)
    sweep(service)  # their reminders
    clock.at += timedelta(seconds=1)
    decided = [one_batch(service, clock) for _ in range(BATCHES)]
    one = f"bench{first:08d}"
    checked = [
        results.timed(lambda: service.read(lambda session: log.verify_dive(session, one)), time.perf_counter) * 1e6
        for _ in range(ROUNDS)
    ]
    listed = [
        results.timed(
            lambda: service.read(lambda session: dive_lists.listing(session, "skerry-bay", Phase.ALERT, LISTED)),
            time.perf_counter,
        )
        * 1e6
        for _ in range(ROUNDS)
    ]
    return {"idle sweep": idle, "one decision of a batch": decided, "check of one chain": checked, "board": listed}


def one_batch(service: Service, clock: MovedClock) -> float:
    """What one decision of a whole batch takes, in microseconds; the next is due a second later."""
    began = time.perf_counter()
    swept = sweep(service)
    spent = time.perf_counter() - began
    assert swept.decided == DECIDED
    clock.at += timedelta(seconds=1)
    return spent * 1e6 / DECIDED


def test_sizes_are_asked_for() -> None:
    """Growth is seen between two sizes at least."""
    if len(SIZES) < 2:
        pytest.fail("BENCH_LARGEST is at least 10000")
