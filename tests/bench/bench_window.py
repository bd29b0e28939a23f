"""Many dives due within ten seconds: how long after its moment each is decided and recorded, with two real sweepers.

And with one of the two killed in mid-window: what it had claimed is free again at once, and the other decides it.
"""

from __future__ import annotations

import json
import os
import resource
import signal
import statistics
import subprocess
import sys
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import func, select

from service.clock import WallClock
from service.operations.service import Service
from service.store import schema
from service.store.engine import open_engine
from service.store.seed import seed
from service.store.tables import DiveRow
from tests.bench import results
from tests.bench.armed import arm
from tests.bench.copies import copy_dives

DUE = [int(count) for count in os.environ.get("BENCH_DUE", "1000,10000").split(",")]
WINDOW_S = 10.0
ORIGINALS = 1_000  # so many are armed one by one, and are copied for more: due every ten milliseconds
ARMING_S, ARMING_EACH_S = 60.0, 0.001
SWEEPERS = 2
ENDS_WITHIN_S = 300.0
SWEEPER = Path(__file__).with_name("window_sweeper.py")


@pytest.mark.parametrize("killed", [False, True], ids=["both live", "one killed"])
def test_due_in_one_window(database_url: str, tmp_path: Path, *, killed: bool) -> None:
    """None is lost, and all are decided: with both sweepers, and the first count with one of them killed -9 halfway."""
    engine = open_engine(database_url)
    schema.migrate(engine)
    service = Service(engine, WallClock(), "https://dive.example", "bench")
    now = datetime.now(UTC)
    service.write(lambda session: seed(session, now, admin_password="not a real password"))
    first = 0
    for count in DUE[:1] if killed else DUE:
        one_window(service, database_url, count, first, tmp_path / str(count), killed=killed)
        first += count
    engine.dispose()


def one_window(service: Service, url: str, count: int, first: int, room: Path, *, killed: bool) -> None:
    """Arm, let the window pass, and note what came of it."""
    room.mkdir()
    kind = service.engine.dialect.name
    originals = min(count, ORIGINALS)
    assert count % originals == 0, f"more than {ORIGINALS} are armed as copies of so many"
    arming_s = ARMING_S + ARMING_EACH_S * count  # more than it takes, so that the window lies ahead of all of them
    begins = datetime.now(UTC) + timedelta(seconds=arming_s)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    cpu = time.process_time()
    arm(
        service,
        originals,
        lambda number: begins + timedelta(seconds=WINDOW_S * number / originals),
        until=begins - timedelta(minutes=1),
        with_log=False,
        first=first,
    )
    results.note(f"cost to arm, {kind}, {count}", [(time.process_time() - cpu) / originals * 1e6], "us of CPU")
    grown = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before
    if count > originals:
        copy_dives(service.engine, first, originals, count // originals - 1)
    assert datetime.now(UTC) < begins, "it took longer to arm them than was allowed for"
    told = [room / f"sweeper-{number}.json" for number in range(SWEEPERS)]
    running = [
        subprocess.Popen([sys.executable, str(SWEEPER), url, str(to), begins.isoformat(), str(count)]) for to in told
    ]
    time.sleep(max(0.0, (begins - datetime.now(UTC)).total_seconds() + WINDOW_S / 2))
    if killed:
        running[0].send_signal(signal.SIGKILL)
    for process in running:
        process.wait(ENDS_WITHIN_S)
    late = [one for path in told if path.exists() for line in path.read_text().splitlines() for one in json.loads(line)]
    left = service.read(
        lambda session: session.execute(
            select(func.count()).select_from(DiveRow).where(DiveRow.phase.not_in(("alert", "distress")))
        ).scalar_one()
    )
    results.note(
        f"decided and recorded after due, {kind}, {count} in {WINDOW_S:.0f} s{', one killed' if killed else ''}",
        [statistics.median(late)],
        "s",
        p99=statistics.quantiles(late, n=100)[98],
        largest=max(late),
        lost=left,
        grown_KiB=grown,
    )
    assert left == 0
