"""Our deadlines beside what an engineer would otherwise use, on one PostgreSQL: cost, lateness, and what is lost.

`BENCH_DUE` dives are due within ten seconds (one figure, or several with commas). Faults are played with a thousand at
most, since what is lost by then is lost. Something counts as lost that was not done a minute after the window.
"""

from __future__ import annotations

import os
import statistics
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from psycopg import sql

from tests.bench import process_trees, results
from tests.bench.contenders import (
    WINDOW_S,
    Contender,
    Cost,
    EtaTasks,
    EtaTasksAcksLate,
    Handled,
    Ours,
    ScheduledJobs,
    ScheduledJobsForgiving,
    due_at,
)
from tests.servers.broker import Broker
from tests.servers.postgres import Postgres, start_postgres

DUE = [int(count) for count in os.environ.get("BENCH_DUE", "1000").split(",")]
FAULTS_WITH_MAX = 1_000
KINDS: tuple[type[Contender], ...] = (EtaTasks, EtaTasksAcksLate, ScheduledJobs, ScheduledJobsForgiving, Ours)
FAULTS: dict[str, Callable[[Contender], None]] = {
    "broker flushed": Contender.flush_broker,
    "broker restarted": Contender.restart_broker,
    "processes killed": Contender.crash,
}
LOST_AFTER = timedelta(seconds=60)
ARMING_S, ARMING_TIMES = 5.0, 1.5  # of what the sample took: more than it takes, so that the window lies ahead
LOOKS_EVERY_S = 1.0
SOON_S = 4.0


@dataclass
class Run:
    """One window of one contender."""

    contender: Contender
    begins: datetime
    count: int
    cost: Cost
    grown_kib: int = 0
    broker_grown_kib: int = 0

    def done(self) -> dict[int, Handled]:
        """What was handled until it counts as lost."""
        last = self.begins + timedelta(seconds=WINDOW_S) + LOST_AFTER
        found = self.contender.handled().items()
        return {number: one for number, one in found if number < self.count and one.at <= last}

    def wait(self, within: timedelta) -> None:
        """Return when all are handled, or so long after the window."""
        until = self.begins + timedelta(seconds=WINDOW_S) + within
        while datetime.now(UTC) < until and len(self.done()) < self.count:
            time.sleep(0.5)

    def lost(self) -> int:
        """How many were not handled; known a minute after the window."""
        return self.count - len(self.done())

    def late(self) -> list[float]:
        """From due to committed, in seconds, of those that were handled."""
        done = self.done().items()
        return sorted((one.at - due_at(self.begins, number, self.count)).total_seconds() for number, one in done)


@pytest.fixture(scope="module")
def server() -> Iterator[Postgres]:
    """A PostgreSQL of our own, that keeps when each transaction was committed."""
    server = start_postgres()
    try:
        server.run(sql.SQL("ALTER SYSTEM SET track_commit_timestamp = on"))
        server.stop()
        server.start()
        yield server
    finally:
        server.remove()


def opened(kind: type[Contender], server: Postgres, directory: Path) -> Contender:
    """A contender with what it stands on."""
    directory.mkdir()
    url = server.url(server.create_database())
    return kind(url, directory, Broker(directory))


def window(contender: Contender, count: int, fault: Callable[[Contender], None] | None = None) -> Run:
    """Start it, arm, and let the window pass; a fault strikes in its middle."""
    contender.launch()
    contender.wait_until_ready()
    cost = contender.sample(count)
    held, broker_held = process_trees.resident_KiB(contender.running), contender.broker_used()
    begins = datetime.now(UTC) + timedelta(seconds=ARMING_S + ARMING_TIMES * count * cost.whole_us / 1e6)
    contender.arm(begins, range(count), count)
    run = Run(contender, begins, count, cost)
    assert datetime.now(UTC) < begins, "it took longer to arm them than was allowed for"
    struck = False
    while (now := datetime.now(UTC)) < begins + timedelta(seconds=WINDOW_S):
        if fault is None:
            run.grown_kib = max(run.grown_kib, process_trees.resident_KiB(contender.running) - held)
            run.broker_grown_kib = max(run.broker_grown_kib, contender.broker_used() - broker_held)
        elif not struck and now >= begins + timedelta(seconds=WINDOW_S / 2):
            fault(contender)
            struck = True
        time.sleep(LOOKS_EVERY_S if fault is None else 0.1)
    return run


def lost_under_faults(server: Postgres, directory: Path, count: int) -> dict[str, dict[str, int]]:
    """How many each loses under each fault. Who has not done all soon is looked at again a minute later."""
    lost: dict[str, dict[str, int]] = {kind.name: {} for kind in KINDS}
    with ExitStack() as waiting:
        looked_at_later: list[tuple[str, Run]] = []
        for fault, strike in FAULTS.items():
            for kind in (kind for kind in KINDS if kind.needs_broker or strike is Contender.crash):
                contender = opened(kind, server, directory / f"{fault} {kind.__name__}")
                waiting.callback(contender.close)
                run = window(contender, count, strike)
                run.wait(timedelta(seconds=SOON_S))
                print(f"\n{kind.name}, {fault}: {run.lost()} not done soon", end="")
                if run.lost():
                    looked_at_later.append((fault, run))
                    continue
                lost[kind.name][fault] = 0
                contender.close()
        for fault, run in looked_at_later:
            run.wait(LOST_AFTER)
            lost[run.contender.name][fault] = run.lost()
    return lost


def test_beside_the_alternatives(server: Postgres, tmp_path: Path) -> None:
    """Whatever strikes, none of ours is lost; of theirs, and how late everybody is, the figures tell."""
    for count in DUE:
        directory = tmp_path / str(count)
        directory.mkdir()
        runs = {kind.name: calm(kind, server, directory, count) for kind in KINDS}
        with_faults = min(count, FAULTS_WITH_MAX)
        lost = lost_under_faults(server, directory, with_faults)
        told(count, with_faults, runs, lost)
        ours = runs[Ours.name]
        assert ours.lost == 0
        assert ours.messages == count
        assert lost[Ours.name] == dict.fromkeys(FAULTS, 0)


@dataclass(frozen=True)
class Calm:
    """What one window without a fault gave: seconds, microseconds and MiB."""

    arm_us: float
    arm_cpu_us: float
    p50: float
    p99: float
    largest: float
    grown_mib: float
    broker_grown_mib: float
    lost: int
    messages: int


def calm(kind: type[Contender], server: Postgres, directory: Path, count: int) -> Calm:
    """One window in which nothing strikes."""
    contender = opened(kind, server, directory / kind.__name__)
    try:
        run = window(contender, count)
        run.wait(LOST_AFTER)
        late = run.late()
        messages = contender.told() if isinstance(contender, Ours) else 0
        lost = run.lost()
    finally:
        contender.close()
    cuts = statistics.quantiles(late, n=100)
    grown, broker_grown = run.grown_kib / 1024, run.broker_grown_kib / 1024
    found = Calm(run.cost.whole_us, run.cost.cpu_us, cuts[49], cuts[98], late[-1], grown, broker_grown, lost, messages)
    print(f"\n{kind.name}: {found}", end="")
    return found


def told(count: int, with_faults: int, runs: dict[str, Calm], lost: dict[str, dict[str, int]]) -> None:
    """The table, and each figure of ours beside each of theirs."""
    columns = ("arm us", "(cpu)", "p50 s", "p99 s", "max s", "MiB", "broker", "lost", *FAULTS)
    print(f"\n\n{count} due in {WINDOW_S:.0f} s, PostgreSQL, load {os.getloadavg()[0]:.1f}; MiB grown; lost of {count}")
    print(f"without a fault, and of {with_faults} under each; '-' where there is no such thing")
    print(f"{'':32}" + "".join(f"{column:>{max(9, len(column) + 2)}}" for column in columns))
    for name, run in runs.items():
        figures = (
            *(f"{run.arm_us:.0f}", f"{run.arm_cpu_us:.0f}", f"{run.p50:.3f}", f"{run.p99:.3f}", f"{run.largest:.3f}"),
            *(f"{run.grown_mib:.1f}", f"{run.broker_grown_mib:.1f}", str(run.lost)),
            *(str(lost[name].get(fault, "-")) for fault in FAULTS),
        )
        cells = zip(figures, columns, strict=True)
        print(f"{name:32}" + "".join(f"{figure:>{max(9, len(column) + 2)}}" for figure, column in cells))
    ours = runs[Ours.name]
    for name, theirs in runs.items():
        if name == Ours.name:
            continue
        for what, unit, one, other in (
            ("cost to arm", "us", ours.arm_us, theirs.arm_us),
            ("due to committed, median", "s", ours.p50, theirs.p50),
            ("due to committed, p99", "s", ours.p99, theirs.p99),
            ("processes grew", "MiB", ours.grown_mib, theirs.grown_mib),
        ):
            results.note(f"{what}, {count} due, beside {name}", [one], unit, beside=[other], beside_name=name)
        results.note(
            f"lost in all, {count} due, beside {name}",
            [ours.lost + sum(lost[Ours.name].values())],
            f"of {count}, and of {with_faults} under each fault",
            beside=[theirs.lost + sum(lost[name].values())],
            beside_name=name,
            ours=lost[Ours.name],
            theirs=lost[name],
        )
