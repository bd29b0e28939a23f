"""What it costs to decide and record a dive: processor time of one sweeper, and of the server's process that serves it.

Unlike how late a dive is, that can be compared beside other work too: as the smallest of many sweeps, one version right
after the other. It is read from where Linux counts it.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import text

from service.operations.service import Service
from service.operations.sweeping import BATCH, sweep
from service.store import schema
from service.store.engine import open_engine
from service.store.seed import seed
from tests.bench import results
from tests.bench.armed import MovedClock, arm
from tests.bench.copies import copy_dives
from workers.running import collect_seldom

ORIGINALS, COPIES = 1_000, 7
DIVES = ORIGINALS * (COPIES + 1)
BEGINS = datetime(2027, 6, 1, 12, 0, tzinfo=UTC)
APART = timedelta(milliseconds=10)
AT_ONCE = 2 * BATCH  # dives due at a sweep


def test_processor_time_of_a_decision(postgres_url: str) -> None:
    """Every dive has a lead and a phone of its own, and is decided once."""
    collect_seldom()  # as every worker does
    engine = open_engine(postgres_url)
    schema.migrate(engine)
    clock = MovedClock(BEGINS - APART)
    service = Service(engine, clock, "https://dive.example", "bench")
    service.write(lambda session: seed(session, clock.now(), admin_password="not a real password"))
    arm(service, ORIGINALS, lambda number: BEGINS + APART * number, until=clock.now(), with_log=False)
    copy_dives(engine, 0, ORIGINALS, COPIES)
    with engine.connect() as connection:
        server = connection.execute(text("SELECT pg_backend_pid()")).scalar_one()

    own, servers = [], []
    for _ in range(DIVES // AT_ONCE):
        clock.at += APART * (AT_ONCE // (COPIES + 1))
        before = time.process_time(), _served_s(server)
        decided = sweep(service).decided
        own.append((time.process_time() - before[0]) / decided * 1e3)
        servers.append((_served_s(server) - before[1]) / decided * 1e3)
    engine.dispose()

    results.note("decided and recorded, Python", own, "ms of CPU a dive", smallest=min(own))
    results.note("decided and recorded, PostgreSQL", servers, "ms of CPU a dive", smallest=min(servers))


def _served_s(server: int) -> float:
    """Seconds for which a process has had a processor (proc(5), schedstat)."""
    return int(Path(f"/proc/{server}/schedstat").read_text(encoding="ascii").split()[0]) / 1e9
