"""A whole installation for faults: real processes at real speed, two gateways, a proxy before broker and database.

Plans are short (see `entry`) and so are the club's grace periods; all that bounds machines is what the product has.
"""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, closing, contextmanager, suppress
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import Engine, func, make_url, select

from service.clock import WallClock
from service.demo.children import end_group, with_children
from service.domain.grace import GracePeriods
from service.operations.links import hash_token
from service.operations.service import Service
from service.operations.sweeping import EVER
from service.settings import PREFIX
from service.store import clubs, dives, reaches, receipts, schema, tokens
from service.store.codec import dump_grace
from service.store.engine import open_engine, run
from service.store.inbound import STORED
from service.store.outbox import LEASED, QUEUED
from service.store.seed import ADMIN_PHONE, RECEIVING_NUMBER, seed
from service.store.tables import InboundTextRow, MessageRow
from tests.fakes.behaviour import Behaviour
from tests.fakes.gateway import ACCOUNT, TOKEN
from tests.fakes.journal import Taken, read_journal
from tests.faults.entry import DEAF
from tests.faults.moved_clock import VARIABLE, ClockSetter
from tests.faults.proxy import Mode, ProxyProcess
from tests.servers.broker import Broker
from tests.servers.ports import free_port
from tests.servers.postgres import Postgres, start_postgres

ROOT = Path(__file__).resolve().parent.parent.parent
ROLES = ("web", "worker", "beat", "keeper", "keeper")
GATEWAYS = ("shore", "hill")
READY_WITHIN_S = 90.0
API_TOKEN = "token-of-faults-0123456789"
CONTACTS = tuple(f"+447700900{number}" for number in range(700, 790))

# Short, and each rung still far from the next one when compared with what a machine needs.
GRACE = GracePeriods(
    heads_up_before=timedelta(seconds=5),
    second_call_after=timedelta(seconds=8),
    grace=timedelta(seconds=15),
    next_contact_every=timedelta(seconds=60),
    distress_after=timedelta(seconds=195),
    distress_every=timedelta(seconds=120),
    hand_up_after=timedelta(seconds=900),
    receipt_within=timedelta(seconds=30),
    arming_within=timedelta(seconds=12),
)


@dataclass
class Gateway:
    """A fake gateway in a process of its own, and its journal, which outlives it."""

    name: str
    journal: Path
    port: int
    inbound_url: str
    receipts: bool = True
    process: subprocess.Popen[str] | None = None

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.port}"

    def start(self) -> None:
        """Start it, with the journal that it had."""
        command = [
            *(sys.executable, "-m", "tests.fakes.gateway", "--port", str(self.port)),
            *("--journal", str(self.journal), "--number", RECEIVING_NUMBER, "--inbound-url", self.inbound_url),
            *(("--receipts",) if self.receipts else ()),
        ]
        self.process = subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, start_new_session=True)
        assert self.process.stdout is not None
        json.loads(self.process.stdout.readline())

    def end(self) -> None:
        """End it at once: from now on connections are refused."""
        if self.process is not None:
            self.process.kill()
            self.process.communicate()
            self.process = None

    def behave(self, behaviour: Behaviour | None) -> None:
        """Always behave like this; like any gateway where None."""
        self.control("/control", {"forget": True} | ({} if behaviour is None else {"always": asdict(behaviour)}))

    def control(self, path: str, orders: dict[str, Any]) -> dict[str, Any]:
        """Have it do something."""
        answer = httpx.post(f"{self.url}{path}", json=orders, trust_env=False, timeout=20)
        done: dict[str, Any] = answer.raise_for_status().json()
        return done

    def taken(self) -> list[Taken]:
        """What it really took."""
        return list(read_journal(self.journal))


@dataclass
class Rig:
    """Everything that runs, and how to reach it."""

    directory: Path
    database_url: str  # as the processes have it, through the proxy
    engine: Engine  # past the proxy
    postgres: Postgres | None
    broker: Broker
    broker_proxy: ProxyProcess
    database_proxy: ProxyProcess | None
    gateways: tuple[Gateway, Gateway]
    clock: ClockSetter
    port: int
    processes: dict[str, list[subprocess.Popen[bytes]]] = field(default_factory=dict)

    @property
    def url(self) -> str:
        """The web's address."""
        return f"http://127.0.0.1:{self.port}"

    @property
    def deaf_mark(self) -> Path:
        """While this file is there, workers consume nothing."""
        return self.directory / "deaf"

    def environment(self) -> dict[str, str]:
        """What a process is told."""
        told = {
            "DATABASE_URL": self.database_url,
            "BROKER_URL": f"redis://127.0.0.1:{self.broker_proxy.port}/0",
            "SECRET_KEY": "a-secret-key-of-the-tests-that-is-long-enough",
            "PUBLIC_URL": self.url,
            "GATEWAYS": json.dumps([self._entry(gateway) for gateway in self.gateways]),
            "SPOOL_DIR": str(self.directory / "spool"),
            "LOG_FORMAT": "plain",
            "PORT": str(self.port),
        }
        ours = {name: value for name, value in os.environ.items() if not name.startswith(PREFIX)}
        ours |= {PREFIX + name: value for name, value in told.items()}
        return ours | {VARIABLE: str(self.clock.file), DEAF: str(self.deaf_mark), "TMPDIR": str(self.directory)}

    @staticmethod
    def _entry(gateway: Gateway) -> dict[str, Any]:
        entry = {"name": gateway.name, "kind": "form-post", "base_url": gateway.url, "account": ACCOUNT, "token": TOKEN}
        return entry | {"sender": RECEIVING_NUMBER, "receipts": True}

    # Processes

    def start(self, *roles: str) -> None:
        """Start one more process of each role."""
        for role in roles:
            with (self.directory / f"{role}.log").open("ab") as out:
                process = subprocess.Popen(
                    [sys.executable, "-m", "tests.faults.entry", role],
                    env=self.environment(),
                    cwd=ROOT,
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=out,
                    start_new_session=True,
                )
            self.processes.setdefault(role, []).append(process)

    def pids(self, *roles: str) -> list[int]:
        """All processes of these roles, with their children, parents first."""
        return [pid for role in roles for one in self.processes.get(role, []) for pid in with_children(one.pid)]

    def send(self, number: signal.Signals, *pids: int) -> None:
        """Send a signal to processes that may be gone."""
        for pid in pids:
            with suppress(ProcessLookupError):
                os.kill(pid, number)

    def kill(self, *roles: str) -> None:
        """End all processes of each role the hard way, with all that they started."""
        self.send(signal.SIGKILL, *self.pids(*roles))
        for role in roles:
            for process in self.processes.pop(role, []):
                end_group(process.pid)
                process.wait()

    def end_politely(self, *roles: str) -> None:
        """End them as a supervisor does in a deploy: asked first, forced after 40 s."""
        for role in roles:
            for process in self.processes.get(role, []):
                process.terminate()
        for role in roles:
            for process in self.processes.pop(role, []):
                with suppress(subprocess.TimeoutExpired):
                    process.wait(40)
                end_group(process.pid)
                process.wait()

    def tend(self) -> None:
        """Start again what has ended by itself, as a supervisor does."""
        for role, processes in list(self.processes.items()):
            for process in list(processes):
                if process.poll() is not None:
                    end_group(process.pid)
                    processes.remove(process)
                    self.start(role)

    def wait_until_ready(self) -> None:
        """Return once the web serves and sweeps are fresh."""
        self.wait_for(lambda: self.answers("/readyz"), READY_WITHIN_S, "ready")

    @staticmethod
    def wait_for(met: Callable[[], bool], within_s: float, what: str) -> float:
        """Return once it is so, with how many seconds that took."""
        began_s = time.monotonic()
        while not met():
            assert time.monotonic() - began_s < within_s, f"not within {within_s} s: {what}"
            time.sleep(0.1)
        return time.monotonic() - began_s

    # The outside

    def answers(self, path: str, timeout_s: float = 5.0) -> bool:
        """Whether the web answers that it is well."""
        with suppress(httpx.HTTPError):
            return httpx.get(f"{self.url}{path}", trust_env=False, timeout=timeout_s).is_success
        return False

    def file(self, lead: str, contacts: tuple[str, ...], run_s: float, key: str) -> dict[str, Any] | None:
        """File a plan for a diver and a buddy; None while the service cannot take it."""
        document = {
            "site": "LANTERN",
            "run_time_min": run_s / 60,
            "lead": {"name": f"Anna {lead[-3:]}", "phone": lead},
            "party": [{"name": "Bram Vik"}],
            "contacts": [{"name": f"Cleo {phone[-3:]}", "phone": phone} for phone in contacts],
            "exits": ["East beach", "West steps"],
        }
        headers = {"Authorization": f"Bearer {API_TOKEN}", "Idempotency-Key": key}
        with suppress(httpx.HTTPError):
            answer = httpx.post(f"{self.url}/api/v1/plans", json=document, headers=headers, trust_env=False, timeout=10)
            if answer.is_success:
                filed: dict[str, Any] = answer.json()
                return filed
            assert answer.status_code >= 500, answer.text
        return None

    def text(self, sender: str, body: str, *, gateway: int = 0, sid: str | None = None) -> int:
        """Post a signed text, with a `sid` that very text; the status of the answer, 0 for none."""
        orders = {"sender": sender, "body": body} | ({} if sid is None else {"sid": sid})
        with suppress(httpx.HTTPError):
            return int(self.gateways[gateway].control("/control/text", orders)["status"])
        return 0

    def admin_texts(self) -> list[Taken]:
        """What an admin got, from both gateways."""
        return [one for gateway in self.gateways for one in gateway.taken() if one.to == ADMIN_PHONE]

    def service(self) -> Service:
        """The database, past the proxy, to look into."""
        return Service(self.engine, WallClock(), self.url, "test")

    def at_rest(self) -> bool:
        """Whether nothing is due, no text waits to be answered, no message waits or is under way.

        And each receipt is with its message.
        """
        if self.on_disk() > 0:
            return False
        service = self.service()
        overtaking = partial(receipts.overtaking, since=EVER, limit=1)
        if service.read(overtaking):
            return False
        waits = select(func.count()).select_from(MessageRow).where(MessageRow.state.in_((QUEUED, LEASED)))
        unanswered = select(func.count()).select_from(InboundTextRow).where(InboundTextRow.state == STORED)
        due = service.read(lambda session: dives.oldest_due(session, self.clock.now()))
        left = service.read(lambda session: [session.execute(asked).scalar_one() for asked in (waits, unanswered)])
        return due is None and not any(left)

    def on_disk(self) -> int:
        """How much lies in the spool."""
        return len(list((self.directory / "spool").glob("*.sealed")))

    def keep_database(self, where: Path) -> None:
        """Leave a copy of the database there, for whoever looks into what did not hold."""
        if self.postgres is None:
            # The processes still write to it.
            with closing(sqlite3.connect(where / "linetender.db")) as copy, self.engine.connect() as connection:
                connection.connection.dbapi_connection.backup(copy)
            return
        place = self.engine.url.set(drivername="postgresql").render_as_string()
        dump = [self.postgres.programs / "pg_dump", "--format=custom", f"--file={where / 'linetender.dump'}", place]
        subprocess.run(dump, check=False, timeout=60)

    def heal_lines(self) -> None:
        """Let both proxies pass."""
        self.broker_proxy.become(Mode.PASS)
        if self.database_proxy is not None:
            self.database_proxy.become(Mode.PASS)


@contextmanager
def rigged(*, on_postgres: bool, roles: tuple[str, ...] = ROLES) -> Iterator[Rig]:
    """A rig with its processes running; however the block ends, so does all of it.

    Where it fails, the ends of the logs are printed.
    """
    with ExitStack() as ends:
        # In memory where the tests' other files are, and under a short name, since PostgreSQL runs as another user.
        directory = Path(ends.enter_context(tempfile.TemporaryDirectory(prefix="linetender-faults-")))
        broker = Broker(directory)
        broker.start()
        ends.callback(broker.kill)
        broker_proxy = ProxyProcess(free_port(), broker.port)
        ends.callback(broker_proxy.end)
        postgres, proxy, url, direct = None, None, f"sqlite:///{directory / 'linetender.db'}", ""
        if on_postgres:
            postgres = start_postgres()
            ends.callback(postgres.remove)
            proxy = ProxyProcess(free_port(), postgres.port)
            ends.callback(proxy.end)
            direct = postgres.url(postgres.create_database())
            url = make_url(direct).set(port=proxy.port).render_as_string()
        engine = open_engine(direct or url)
        ends.callback(engine.dispose)
        prepare(engine)
        port = free_port()
        first, second = (
            Gateway(name, directory / f"{name}.jsonl", free_port(), f"http://127.0.0.1:{port}/inbound/{name}/text")
            for name in GATEWAYS
        )
        for gateway in (first, second):
            gateway.start()
            ends.callback(gateway.end)
        clock = ClockSetter(directory / "clock.json")
        rig = Rig(directory, url, engine, postgres, broker, broker_proxy, proxy, (first, second), clock, port)
        ends.callback(rig.kill, *set(roles))
        rig.start(*roles)
        rig.wait_until_ready()
        yield rig


def prepare(engine: Engine) -> None:
    """The schema, the invented club with short grace periods, contacts who have agreed, a token for scripts."""
    schema.migrate(engine)
    now = datetime.now(UTC)

    def work(session: Any) -> None:
        seeded = seed(session, now, admin_password="a long enough password")
        tokens.add(session, club_id=seeded.club_id, name="faults", token_hash=hash_token(API_TOKEN), now=now)
        club = clubs.get(session, seeded.club_id)
        assert club is not None
        club.grace = dump_grace(GRACE)
        for phone in CONTACTS:
            reaches.decide(session, seeded.club_id, phone, "agreed", now)

    run(engine, work)
