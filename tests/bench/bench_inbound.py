"""Texts that come in, through the whole path of an installation, beside a bare insert behind the same server.

Signed webhooks at a steady rate from a process of their own; gunicorn as it is deployed; PostgreSQL. Whatever was
acknowledged must be stored.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from sqlalchemy import Engine, func, select, text

from service.cli.serving import WEB_PROCESSES, WEB_THREADS
from service.clock import WallClock
from service.operations.service import Service
from service.store import schema
from service.store.engine import open_engine
from service.store.seed import seed
from service.store.tables import InboundTextRow
from tests.bench.armed import arm
from tests.bench.loopback_gateway import loopback
from tests.bench.results import note
from tests.bench.texts_load import PHONES
from tests.servers.ports import free_port, wait_until_listening
from tests.servers.postgres import Postgres

PER_S = 200.0
SECONDS = float(os.environ.get("INBOUND_SECONDS", "20"))
P99_MS_MAX = 50.0
WARMED_UP_BY, WARMS_UP_S = 2, 6.0
GIVEN_UP_AFTER_S = SECONDS + 60.0  # a text without an answer is given up before that
TOKEN = "token"


@contextmanager
def ended_after(command: Sequence[str], environ: dict[str, str], log: Path) -> Iterator[None]:
    """A process that runs meanwhile."""
    with log.open("wb") as lines:
        process = subprocess.Popen(command, env={**os.environ, **environ}, stdout=lines, stderr=lines)
    try:
        yield
    finally:
        process.terminate()
        try:
            process.wait(30)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait(10)


def loaded(address: str, seconds: float) -> list[tuple[float, int]]:
    """What came of texts at the rate for so long: milliseconds and status of each."""
    asked = {"address": address, "token": TOKEN, "seconds": seconds, "per_s": PER_S}
    command = [sys.executable, "-m", "tests.bench.texts_load"]
    said = subprocess.run(
        command, input=json.dumps(asked), capture_output=True, text=True, check=True, timeout=GIVEN_UP_AFTER_S
    )
    return [(late_ms, status) for late_ms, status in json.loads(said.stdout)]


def percentile(found: list[tuple[float, int]], share: float) -> float:
    """So many of them took at most this long."""
    return sorted(late_ms for late_ms, _ in found)[int(share * (len(found) - 1))]


def bare(url: str, engine: Engine, directory: Path) -> list[tuple[float, int]]:
    """The same load on the bare insert."""
    with engine.begin() as connection:
        columns = "id bigserial PRIMARY KEY, sid text UNIQUE, sender text, receiver text, body text"
        connection.execute(text(f"CREATE TABLE bare_texts ({columns})"))
    port = free_port()
    command = [
        *(sys.executable, "-m", "gunicorn", "tests.bench.bare_insert:app", "-b", f"127.0.0.1:{port}"),
        *("-k", "gthread", "-w", str(WEB_PROCESSES), "--threads", str(WEB_THREADS), "--keep-alive", "5"),
    ]
    with ended_after(command, {"BENCH_DATABASE_URL": url}, directory / "bare.log"):
        wait_until_listening(port, 30)
        address = f"http://127.0.0.1:{port}/inbound/shore/text"
        loaded(address, 1.0)
        return loaded(address, SECONDS)


def whole(url: str, broker_url: str, directory: Path) -> list[tuple[float, int]]:
    """The load on an installation: web, worker and beat, and a gateway for the answers."""
    with loopback(directory / "journal.jsonl") as gateway:
        return served(url, broker_url, directory, gateway.base_url)


def served(url: str, broker_url: str, directory: Path, base_url: str) -> list[tuple[float, int]]:
    """The load on an installation whose answers go to a gateway at this address."""
    port = free_port()
    gateway = {"name": "shore", "kind": "form-post", "base_url": base_url, "account": "AC1", "receipts": False}
    environ = {
        "LINETENDER_DATABASE_URL": url,
        "LINETENDER_BROKER_URL": broker_url,
        "LINETENDER_SECRET_KEY": "only-for-measuring-" * 3,
        "LINETENDER_PUBLIC_URL": f"http://127.0.0.1:{port}",
        "LINETENDER_PORT": str(port),
        "LINETENDER_GATEWAYS": json.dumps([gateway | {"token": TOKEN, "sender": "+447700900500"}]),
    }
    program = str(Path(sys.executable).with_name("linetender"))
    with ExitStack() as running:
        for name in ("web", "worker", "beat"):
            running.enter_context(ended_after([program, name], environ, directory / f"{name}.log"))
        wait_until_listening(port, 60)
        address = f"http://127.0.0.1:{port}/inbound/shore/text"
        # Nine processes were just started; each loads for seconds.
        for _ in range(WARMED_UP_BY):
            loaded(address, 1.0)
            time.sleep(WARMS_UP_S)
        return loaded(address, SECONDS)


@pytest.mark.postgres
def test_texts_that_come_in(postgres_server: Postgres, broker_url: str, tmp_path: Path) -> None:
    """99 of 100 are acknowledged within 50 ms at 200 a second, and nothing is acknowledged that is not stored."""
    url = postgres_server.url(postgres_server.create_database())
    engine = open_engine(url)
    schema.migrate(engine)
    service = Service(engine, WallClock(), "http://127.0.0.1:9", "bench")
    now = datetime.now(UTC)
    service.write(lambda session: seed(session, now, admin_password="not a real password"))
    arm(service, PHONES, lambda _: now + timedelta(days=1), until=now, with_log=False)

    beside = bare(url, engine, tmp_path)
    before = stored(service)
    ours = whole(url, broker_url, tmp_path)

    acknowledged = sum(status == 200 for _, status in ours)
    kept = stored(service) - before - WARMED_UP_BY * int(PER_S)
    for share, name in ((0.5, "half"), (0.99, "99 %")):
        note(
            f"texts in at {PER_S:.0f}/s, {name} acknowledged within",
            [percentile(ours, share)],
            "ms",
            beside=[percentile(beside, share)],
            beside_name="bare insert",
        )
    note(
        "texts in, acknowledged and stored",
        [float(kept)],
        "texts",
        beside=[float(acknowledged)],
        beside_name="acknowledged",
    )
    engine.dispose()
    assert kept == acknowledged == int(SECONDS * PER_S)
    assert percentile(ours, 0.99) <= P99_MS_MAX


def stored(service: Service) -> int:
    """How many texts are in the database."""
    count = select(func.count()).select_from(InboundTextRow)
    return service.read(lambda session: session.execute(count).scalar_one())
