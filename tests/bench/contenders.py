"""Four ways to act when a deadline has come, each with real processes: three that are at hand, and ours."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import ClassVar

from celery import Celery
from redis import Redis
from sqlalchemy import Engine, create_engine, text

from service.clock import WallClock
from service.operations.service import Service
from service.store import schema
from service.store.engine import open_engine
from service.store.seed import seed
from tests.bench import handled, process_trees
from tests.bench.armed import BATCH, arm
from tests.bench.loopback_gateway import Loopback
from tests.servers.broker import Broker

WINDOW_S = 10.0
SAMPLED = 100
STARTS_WITHIN_S = 90.0
ROOT = Path(__file__).parents[2]

# The server keeps when each transaction was committed: the same ruler for all.
_HANDLED = text(
    "SELECT number, min(pg_xact_commit_timestamp(xmin)), count(*) FROM handled WHERE number >= 0 GROUP BY number"
)
# The first entry of the log of a dive that was armed without one is the decision that it is overdue.
_DECIDED = text(
    "SELECT CAST(substr(dive_id, 6) AS integer), min(pg_xact_commit_timestamp(xmin)), sum((kind = 'overdue')::integer) "
    "FROM log_entries WHERE dive_id LIKE 'bench%' GROUP BY dive_id"
)


def due_at(begins: datetime, number: int, count: int) -> datetime:
    """When this one of so many is due."""
    return begins + timedelta(seconds=WINDOW_S * number / count)


@dataclass(frozen=True)
class Cost:
    """What it cost to arm one, in microseconds: in all, and of the arming process's own time."""

    whole_us: float
    cpu_us: float


@dataclass(frozen=True)
class Handled:
    """When what was done about one was committed, and how often it was done."""

    at: datetime
    times: int


@dataclass
class Contender:
    """One way, with a database and a directory of its own, and a broker where it needs one."""

    name: ClassVar[str]
    needs_broker: ClassVar[bool] = True

    url: str
    directory: Path
    broker: Broker
    running: list[subprocess.Popen[str]] = field(default_factory=list)

    def __post_init__(self) -> None:
        if self.needs_broker:
            self.broker.start()
        self.engine = self.prepared()

    def prepared(self) -> Engine:
        """The database with what it needs."""
        engine = create_engine(self.url)
        with engine.begin() as connection:
            connection.execute(handled.TABLE)
        return engine

    def launch(self) -> None:
        """Start its processes."""
        raise NotImplementedError

    def wait_until_ready(self) -> None:
        """Return once they work."""
        raise NotImplementedError

    def arm(self, begins: datetime, numbers: range, count: int) -> Cost:
        """Arm these of so many, which are due evenly over the window that begins then."""
        raise NotImplementedError

    def sample(self, count: int) -> Cost:
        """Arm some for another day, numbered behind those of the window: what arming costs."""
        return self.arm(datetime.now(UTC) + timedelta(days=1), range(count, count + SAMPLED), count)

    def handled(self) -> dict[int, Handled]:
        """What was handled so far, by number."""
        with self.engine.connect() as connection:
            return {number: Handled(at, times) for number, at, times in connection.execute(_HANDLED)}

    def open(self, command: list[str | Path], environ: dict[str, str], **pipes: int) -> subprocess.Popen[str]:
        """Start one of its processes."""
        with (self.directory / f"{len(self.running)}.log").open("ab") as log:
            process = subprocess.Popen(
                command, env={**os.environ, **environ}, cwd=ROOT, text=True, **({"stdout": log} | pipes), stderr=log
            )
        self.running.append(process)
        return process

    def crash(self) -> None:
        """All its processes end by signal 9; 2 s later they are started again."""
        process_trees.kill(self.running)
        self.running.clear()
        time.sleep(2)
        self.launch()

    def broker_used(self) -> int:
        """How many KiB the broker holds."""
        if not self.needs_broker:
            return 0
        with Redis.from_url(self.broker.url) as client:
            return int(client.info("memory")["used_memory"]) // 1024

    def flush_broker(self) -> None:
        """The broker forgets everything."""
        with Redis.from_url(self.broker.url) as client:
            client.flushall()

    def restart_broker(self) -> None:
        """The broker is killed and is there again 2 s later, empty."""
        self.broker.kill()
        time.sleep(2)
        self.broker.start()

    def close(self) -> None:
        """End everything of it."""
        process_trees.kill(self.running)
        self.running.clear()
        self.broker.kill()
        self.engine.dispose()


@dataclass
class EtaTasks(Contender):
    """A Celery task with an ETA for each."""

    name = "Celery ETA"
    environ: ClassVar[dict[str, str]] = {}

    def launch(self) -> None:
        """A worker with two processes."""
        command = [sys.executable, "-m", "celery", "-A", "tests.bench.eta_tasks", "worker", "-c", "2", "-l", "WARNING"]
        places = {"BENCH_DATABASE_URL": self.url, "BENCH_BROKER_URL": self.broker.url}
        self.open([*command], places | self.environ)

    def wait_until_ready(self) -> None:
        """One task for each process is done."""
        with Celery(broker=self.broker.url, set_as_current=False) as app:
            for _ in range(2):
                app.send_task("handle", (-1,), ignore_result=True)
        give_up_at = time.monotonic() + STARTS_WITHIN_S
        while self._tried() < 2:
            assert time.monotonic() < give_up_at, "the worker is not ready"
            time.sleep(0.2)

    def _tried(self) -> int:
        with self.engine.connect() as connection:
            return int(connection.execute(text("SELECT count(*) FROM handled")).scalar_one())

    def arm(self, begins: datetime, numbers: range, count: int) -> Cost:
        """Send them one by one, as a page would at each start of a dive."""
        with Celery(broker=self.broker.url, set_as_current=False) as app:
            began, cpu = time.perf_counter(), time.process_time()
            for number in numbers:
                app.send_task("handle", (number,), eta=due_at(begins, number, count), ignore_result=True)
            return _cost(began, cpu, len(numbers))


@dataclass
class EtaTasksAcksLate(EtaTasks):
    """The same, acknowledged when done."""

    name = "Celery ETA, acks_late"
    environ: ClassVar[dict[str, str]] = {"BENCH_ACKS_LATE": "1"}


@dataclass
class ScheduledJobs(Contender):
    """APScheduler with a job in PostgreSQL for each."""

    name = "APScheduler 3"
    needs_broker = False
    environ: ClassVar[dict[str, str]] = {}

    def launch(self) -> None:
        """The one process that may run and arm."""
        command = [sys.executable, "-m", "tests.bench.scheduled_jobs"]
        pipes = {"stdin": subprocess.PIPE, "stdout": subprocess.PIPE}
        self.open([*command], {"BENCH_DATABASE_URL": self.url} | self.environ, **pipes)

    def wait_until_ready(self) -> None:
        """It says so."""
        assert self._said() == "ready\n"

    def _said(self) -> str:
        told = self.running[0].stdout
        assert told is not None
        return told.readline()

    def arm(self, begins: datetime, numbers: range, count: int) -> Cost:
        """Ask its process to."""
        asked = self.running[0].stdin
        assert asked is not None
        each_s = WINDOW_S / count
        wish = {"begins": begins.isoformat(), "first": numbers.start, "end": numbers.stop, "each_s": each_s}
        print(json.dumps(wish), file=asked, flush=True)
        return Cost(*json.loads(self._said()))


@dataclass
class ScheduledJobsForgiving(ScheduledJobs):
    """The same, with no limit to how late a job may run."""

    name = "APScheduler 3, no misfire limit"
    environ: ClassVar[dict[str, str]] = {"BENCH_NO_GRACE": "1"}


@dataclass
class Ours(Contender):
    """An installation: worker, beat and keeper, real dives, real words, log and messages, and a gateway."""

    name = "Linetender"

    def prepared(self) -> Engine:
        """The schema, the club, and a gateway on loopback."""
        engine = open_engine(self.url)
        schema.migrate(engine)
        self.service = Service(engine, WallClock(), "http://127.0.0.1:9", "bench")
        now = datetime.now(UTC)
        self.service.write(lambda session: seed(session, now, admin_password="not a real password"))
        self.gateway = Loopback(self.directory / "journal.jsonl")
        return engine

    def launch(self) -> None:
        """Its three kinds of process."""
        one = {"name": "shore", "kind": "form-post", "base_url": self.gateway.base_url, "receipts": False}
        environ = {
            "LINETENDER_DATABASE_URL": self.url,
            "LINETENDER_BROKER_URL": self.broker.url,
            "LINETENDER_SECRET_KEY": "only-for-measuring-" * 3,
            "LINETENDER_PUBLIC_URL": "http://127.0.0.1:9",
            "LINETENDER_GATEWAYS": json.dumps([one | {"account": "AC1", "token": "token", "sender": "+447700900500"}]),
        }
        for name in ("worker", "beat", "keeper"):
            self.open([Path(sys.executable).with_name("linetender"), name], environ)

    def wait_until_ready(self) -> None:
        """A sweep has told that it was here."""
        give_up_at = time.monotonic() + STARTS_WITHIN_S
        while not self._swept():
            assert time.monotonic() < give_up_at, "no sweep has run"
            time.sleep(0.2)

    def _swept(self) -> bool:
        with self.engine.connect() as connection:
            return bool(connection.execute(text("SELECT count(*) FROM heartbeats WHERE name = 'sweep'")).scalar_one())

    def arm(self, begins: datetime, numbers: range, count: int, in_one: int = BATCH) -> Cost:
        """Put the dives themselves into the database, many in a transaction."""
        began, cpu = time.perf_counter(), time.process_time()
        arm(
            self.service,
            len(numbers),
            lambda number: due_at(begins, numbers[number], count),
            until=begins - timedelta(minutes=1),
            with_log=False,
            first=numbers.start,
            in_one=in_one,
        )
        return _cost(began, cpu, len(numbers))

    def sample(self, count: int) -> Cost:
        """Each in a transaction of its own, as they come in life."""
        return self.arm(datetime.now(UTC) + timedelta(days=1), range(count, count + SAMPLED), count, in_one=1)

    def handled(self) -> dict[int, Handled]:
        """What was decided and recorded so far, by number."""
        with self.engine.connect() as connection:
            return {number: Handled(at, times) for number, at, times in connection.execute(_DECIDED)}

    def told(self) -> int:
        """For how many dives there is an alert in the outbox."""
        statement = text("SELECT count(DISTINCT dive_id) FROM messages WHERE kind = 'alert' AND dive_id LIKE 'bench%'")
        with self.engine.connect() as connection:
            return int(connection.execute(statement).scalar_one())

    def close(self) -> None:
        """The gateway too."""
        super().close()
        self.gateway.kill()


def _cost(began: float, cpu: float, count: int) -> Cost:
    return Cost((time.perf_counter() - began) / count * 1e6, (time.process_time() - cpu) / count * 1e6)
