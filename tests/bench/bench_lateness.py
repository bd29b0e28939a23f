"""From due to handed, with real processes: alerts that fall due over one minute, for LATENESS_DIVES dives."""

from __future__ import annotations

import json
import os
import statistics
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

from sqlalchemy import select
from sqlalchemy.orm import Session

from service.clock import WallClock
from service.operations.service import Service
from service.store import schema
from service.store.engine import open_engine
from service.store.seed import seed
from service.store.tables.message import MessageRow
from tests.bench.armed import arm
from tests.fakes.gateway import ACCOUNT, NUMBER, TOKEN, FakeGateway

DIVES = int(os.environ.get("LATENESS_DIVES", "1000"))
OVER_S = 60.0
BEGINS_AFTER_S = 25.0  # the processes are up by then
MEDIAN_S_MAX = 1.0
LARGEST_S_MAX = 5.0
PROCESSES = ("worker", "beat", "keeper")


@contextmanager
def processes(environ: dict[str, str], logs: Path) -> Iterator[None]:
    """The processes of one installation, ended by their ids."""
    program = Path(sys.executable).with_name("linetender")
    running = []
    try:
        for name in PROCESSES:
            with (logs / f"{name}.log").open("wb") as log:
                running.append(subprocess.Popen([program, name], env={**os.environ, **environ}, stdout=log, stderr=log))
        yield
    finally:
        for process in running:
            process.terminate()
        for process in running:
            try:
                process.wait(timeout=30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait(timeout=10)


def alerts(session: Session) -> list[tuple[datetime, datetime | None]]:
    """When each alert was due and when a gateway took it."""
    rows = session.execute(select(MessageRow.due_at, MessageRow.handed_at).where(MessageRow.kind == "alert"))
    return [(due_at, handed_at) for due_at, handed_at in rows]


def test_due_to_handed(database_url: str, broker_url: str, tmp_path: Path) -> None:
    """Median under 1 s and largest under 5 s, with no fault."""
    engine = open_engine(database_url)
    schema.migrate(engine)
    service = Service(engine, WallClock(), "http://127.0.0.1:9", "bench")
    now = datetime.now(UTC)
    service.write(lambda session: seed(session, now, admin_password="not a real password"))
    first = now + timedelta(seconds=BEGINS_AFTER_S)
    arm(
        service,
        DIVES,
        lambda number: first + timedelta(seconds=number * OVER_S / DIVES),
        until=now,
        with_log=False,
    )
    with FakeGateway() as gateway:
        one = {"name": "shore", "kind": "form-post", "base_url": gateway.base_url, "receipts": False}
        environ = {
            "LINETENDER_DATABASE_URL": database_url,
            "LINETENDER_BROKER_URL": broker_url,
            "LINETENDER_SECRET_KEY": "only-for-measuring-" * 3,
            "LINETENDER_PUBLIC_URL": "http://127.0.0.1:9",
            "LINETENDER_GATEWAYS": json.dumps([one | {"account": ACCOUNT, "token": TOKEN, "sender": NUMBER}]),
        }
        with processes(environ, tmp_path):
            late = wait_for_all(service, first)
    engine.dispose()

    median, largest = statistics.median(late), max(late)
    print(f"\n{DIVES} alerts due over {OVER_S:.0f} s, {engine.dialect.name}: from due to handed")
    print(f"  median {median:.2f} s, 90 % {sorted(late)[int(0.9 * len(late))]:.2f} s, largest {largest:.2f} s")
    assert len(late) == DIVES
    assert median < MEDIAN_S_MAX
    assert largest < LARGEST_S_MAX


def wait_for_all(service: Service, first: datetime) -> list[float]:
    """The lateness of each alert in seconds, once all are handed or 30 s after the last was due."""
    until = first + timedelta(seconds=OVER_S + 30)
    while True:
        found = service.read(alerts)
        handed = [(at - due_at).total_seconds() for due_at, at in found if at is not None]
        if len(handed) >= DIVES or datetime.now(UTC) > until:
            return handed
        time.sleep(0.5)
