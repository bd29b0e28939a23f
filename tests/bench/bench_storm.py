"""A storm: 10,000 dives overdue at once with three contacts each, beside one Celery task for each message.

Real processes on PostgreSQL, and a gateway on loopback that costs next to nothing. The alternative is measured with a
sample, in the same run on the same machine, and scaled. `STORM_DIVES` and `STORM_SAMPLE` choose other sizes.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select, text

from service.clock import WallClock
from service.operations.service import Service
from service.store import log, schema
from service.store.engine import open_engine
from service.store.seed import seed
from service.store.tables import AttemptRow, MessageRow
from tests.bench.bench_lateness import processes
from tests.bench.loopback_gateway import Loopback, Taken, loopback
from tests.bench.results import note
from tests.bench.storm import CONTACTS, DISTRESS, REMINDER, dive_of, gather
from tests.servers.postgres import Postgres
from tests.workers.conftest import settings_for
from workers.app import PUBLISHING, make_celery
from workers.nudge import broker_nudge

DIVES = int(os.environ.get("STORM_DIVES", "10000"))
SAMPLE = int(os.environ.get("STORM_SAMPLE", "6000"))
REMINDERS = DIVES // 10
BEGINS_AFTER_S = 30.0  # the processes are up by then
WITHIN_S = 20.0 * DIVES / 10_000
TIMES_FASTER = 7.0
GIVEN_UP_AFTER_S = 600.0


@dataclass(frozen=True)
class Measured:
    """How long it took from when the first could go until the last was taken."""

    messages: int
    seconds: float
    taken: list[Taken]

    @property
    def each_ms(self) -> float:
        """Milliseconds for each message."""
        return self.seconds / self.messages * 1000


def prepared(url: str) -> tuple[Engine, Service]:
    """The schema and the club."""
    engine = open_engine(url)
    schema.migrate(engine)
    service = Service(engine, WallClock(), "http://127.0.0.1:9", "bench")
    service.write(lambda session: seed(session, datetime.now(UTC), admin_password="not a real password"))
    return engine, service


def analyze(engine: Engine) -> None:
    """What the database does by itself after a while."""
    with engine.connect().execution_options(isolation_level="AUTOCOMMIT") as connection:
        connection.execute(text("VACUUM ANALYZE"))


def wait_for(gateway: Loopback, messages: int) -> None:
    """Return once the gateway has taken so many."""
    give_up_at = time.monotonic() + GIVEN_UP_AFTER_S
    while (count := gateway.count()) < messages:
        assert time.monotonic() < give_up_at, f"{count} of {messages} were taken"
        time.sleep(0.5)


def our_couriers(url: str, broker_url: str, directory: Path) -> tuple[Measured, Service, Engine]:
    """The storm carried by the processes of an installation."""
    engine, service = prepared(url)
    now = datetime.now(UTC)
    with loopback(directory / "journal.jsonl") as gateway:
        one = {"name": "shore", "kind": "form-post", "base_url": gateway.base_url, "receipts": False}
        environ = {
            "LINETENDER_DATABASE_URL": url,
            "LINETENDER_BROKER_URL": broker_url,
            "LINETENDER_SECRET_KEY": "only-for-measuring-" * 3,
            "LINETENDER_PUBLIC_URL": "http://127.0.0.1:9",
            "LINETENDER_GATEWAYS": json.dumps([one | {"account": "AC1", "token": "token", "sender": "+447700900500"}]),
        }
        far = now + timedelta(days=1)
        messages = gather(service, DIVES, REMINDERS, now, far)
        begins_at = datetime.now(UTC) + timedelta(seconds=BEGINS_AFTER_S)
        with engine.begin() as connection:
            connection.execute(text("UPDATE messages SET not_before_at = :at"), {"at": begins_at})
        analyze(engine)
        with processes(environ, directory):
            began = begins_at.timestamp()
            nudge = broker_nudge(make_celery(settings_for(url, broker_url), PUBLISHING))
            assert time.time() < began, "the storm is there before anybody could carry it"
            time.sleep(max(began - time.time(), 0.0))
            nudge()  # as the sweep that queued it does after its commit
            wait_for(gateway, messages)
            wait_until_recorded(service, messages)  # a keeper may have told an admin too, which counts for nothing here
        taken = gateway.end()
    of_dives = [one for one in taken if one.body.startswith((DISTRESS[:40], REMINDER[:40]))]
    return Measured(messages, of_dives[-1].at - began, of_dives), service, engine


def wait_until_recorded(service: Service, messages: int) -> None:
    """The last outcomes are written down after the last was taken."""
    give_up_at = time.monotonic() + 30.0
    handed = select(func.count()).where(MessageRow.state == "handed", MessageRow.dive_id.is_not(None))
    while (count := service.read(lambda session: session.execute(handed).scalar_one())) < messages:
        assert time.monotonic() < give_up_at, f"{count} of {messages} are recorded as handed"
        time.sleep(0.5)


@contextmanager
def task_workers(environ: dict[str, str], directory: Path) -> Iterator[None]:
    """Two worker processes that carry one message a task."""
    command = [sys.executable, "-m", "celery", "-A", "tests.bench.one_task_each", "worker", "-c", "2", "-l", "WARNING"]
    with (directory / "tasks.log").open("wb") as lines:
        worker = subprocess.Popen(command, env={**os.environ, **environ}, stdout=lines, stderr=lines)
    try:
        yield
    finally:
        worker.terminate()
        worker.wait(60)


def one_task_each(url: str, broker_url: str, directory: Path, monkeypatch: pytest.MonkeyPatch) -> Measured:
    """A sample of the storm, carried by a task for each message."""
    engine, service = prepared(url)
    now = datetime.now(UTC)
    gather(service, SAMPLE // CONTACTS + 1, 0, now, now)
    analyze(engine)
    with loopback(directory / "sample.jsonl") as gateway:
        environ = {
            "BENCH_DATABASE_URL": url,
            "BENCH_BROKER_URL": broker_url,
            "BENCH_GATEWAY_URL": gateway.base_url,
        }
        for name, value in environ.items():
            monkeypatch.setenv(name, value)
        from tests.bench.one_task_each import carry_one  # noqa: PLC0415 - it reads where its broker is

        ids = service.read(lambda session: session.execute(select(MessageRow.id)).scalars().all())
        with task_workers(environ, directory):
            for message_id in ids[:2]:  # both have opened what they need
                carry_one.delay(message_id)
            wait_for(gateway, 2)
            began = time.time()
            for message_id in ids[2:]:
                carry_one.delay(message_id)
            wait_for(gateway, len(ids))
        taken = gateway.end()
    engine.dispose()
    return Measured(len(ids) - 2, taken[-1].at - began, taken)


def late_alarms(taken: list[Taken]) -> int:
    """How many alarms came after the first reminder."""
    alarms = ["OVERDUE" in one.body for one in taken]
    return sum(alarms[alarms.index(False) :])


@pytest.mark.postgres
def test_storm(postgres_server: Postgres, broker_url: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Within 20 s, seven times as fast as one task for each, every distress before any reminder, each once."""
    tasks = one_task_each(postgres_server.url(postgres_server.create_database()), broker_url, tmp_path, monkeypatch)
    url = postgres_server.url(postgres_server.create_database())
    ours, service, engine = our_couriers(url, broker_url, tmp_path)

    chains = [log.dive_chain(dive_of(number)) for number in range(DIVES)]
    faults = service.read(lambda session: [fault for name in chains if (fault := log.verify_chain(session, name))])
    of_dives = select(MessageRow.id).where(MessageRow.dive_id.is_not(None))
    accepted = select(func.count()).where(AttemptRow.outcome == "accepted", AttemptRow.message_id.in_(of_dives))
    attempts = service.read(lambda session: session.execute(accepted).scalar_one())
    engine.dispose()
    faster = tasks.each_ms / ours.each_ms
    note("storm, all taken within", [ours.seconds], "s", messages=ours.messages)
    note(
        "storm, each message",
        [ours.each_ms],
        "ms",
        beside=[tasks.each_ms],
        beside_name=f"one Celery task each (a sample of {tasks.messages})",
        times_as_fast=round(faster, 1),
    )
    assert len(ours.taken) == ours.messages == attempts
    assert faults == []
    assert late_alarms(ours.taken) == 0
    assert ours.seconds <= WITHIN_S
    assert faster >= TIMES_FASTER
