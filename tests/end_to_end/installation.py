"""A whole installation of real processes, with a broker and a fake gateway that tests may kill by their pids."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
from sqlalchemy import Engine, func, select
from sqlalchemy.orm import Session

from service.demo.children import end_group, with_children
from service.demo.directory import Directory, Pace
from service.demo.preparing import Place, environment, prepare_database, write_settings
from service.operations.service import Service
from service.store import dives, health, log
from service.store.engine import open_engine
from service.store.log import Entry
from service.store.outbox import LEASED, QUEUED
from service.store.seed import RECEIVING_NUMBER
from service.store.tables import DiveRow, MessageRow
from tests.end_to_end.evidence import ends_of_logs, shown_on_failure, told_of_journal
from tests.fakes.gateway import ACCOUNT, TOKEN
from tests.fakes.journal import Taken, read_journal
from tests.servers.broker import Broker
from tests.servers.ports import free_port

ROOT = Path(__file__).resolve().parent.parent.parent
READY_WITHIN_S = 90.0
SETTLED_WITHIN_S = 60.0
ROLES = ("web", "worker", "beat", "keeper")

ANNA, BRAM = "+447700900001", "+447700900002"
CLEO, DOV, EDDA = "+447700900011", "+447700900012", "+447700900013"


@dataclass
class Installation:
    """Processes by role; a role may have several. All share the settings of `place`."""

    place: Place
    broker: Broker
    journal: Path
    gateway: subprocess.Popen[str]
    gateway_url: str
    logs: Path
    engine: Engine
    processes: dict[str, list[subprocess.Popen[bytes]]] = field(default_factory=dict)

    def start(self, *roles: str) -> None:
        """Start one more process of each role."""
        for role in roles:
            with (self.logs / f"{role}.log").open("ab") as out:
                process = subprocess.Popen(
                    [sys.executable, "-m", "service.cli", role],
                    # A killed process leaves its temporary files; here they go with the test's.
                    env=environment(self.place.settings(), os.environ) | {"TMPDIR": str(self.logs)},
                    cwd=ROOT,
                    stdin=subprocess.DEVNULL,
                    stdout=out,
                    stderr=out,
                    start_new_session=True,
                )
            self.processes.setdefault(role, []).append(process)

    def kill(self, *roles: str) -> None:
        """End all processes of each role the hard way, with all that they started, as a power cut would."""
        found = [process for role in roles for process in self.processes.pop(role, [])]
        for pid in {pid for process in found for pid in with_children(process.pid)}:
            with suppress(ProcessLookupError):
                os.kill(pid, signal.SIGKILL)
        for process in found:
            # Also those whose parent had died before.
            end_group(process.pid)
            process.wait()

    def wait_until_ready(self) -> None:
        """Return once the web serves and a worker has swept since now."""
        began_at = self.service().clock.now()

        def swept_by_worker() -> bool:
            assert self._ended() == []
            beat = self.service().read(lambda session: health.heartbeat(session, "sweep"))
            return beat is not None and beat.at >= began_at and (beat.detail or "").startswith("worker")

        self.wait_for(lambda: swept_by_worker() and self.answers("/readyz"), READY_WITHIN_S, "ready")

    def wait_until_settled(self) -> None:
        """Return once worker and keeper have each looked again and found nothing that is due or not yet carried.

        What has not been sent by then is not going to be sent until the next moment of the ladder.
        """
        now = self.service().clock.now()
        self.wait_for(lambda: self._settled(now), SETTLED_WITHIN_S, "all is done and everybody has looked since")

    def _settled(self, since: datetime) -> bool:
        def look(session: Session) -> bool:
            beats = [health.heartbeat(session, name) for name in ("sweep", "keeper")]
            looked = all(beat is not None and beat.at >= since for beat in beats)
            due = dives.oldest_due(session, self.service().clock.now())
            open_ = select(func.count()).select_from(MessageRow).where(MessageRow.state.in_((QUEUED, LEASED)))
            return looked and due is None and session.execute(open_).scalar_one() == 0

        return self.service().read(look)

    def wait_for(self, met: Callable[[], bool], within_s: float, what: str) -> None:
        """Return once it is so."""
        give_up_at = time.monotonic() + within_s
        while not met():
            assert time.monotonic() < give_up_at, f"not within {within_s} s: {what}"
            time.sleep(0.1)

    def answers(self, path: str) -> bool:
        """Whether the web process answers that it is well."""
        with suppress(httpx.HTTPError), self.client() as client:
            return client.get(path).is_success
        return False

    def client(self) -> httpx.Client:
        """A script of the club."""
        token = self.place.directory.secret("api-token")
        return httpx.Client(
            base_url=self.place.url, trust_env=False, timeout=15, headers={"Authorization": f"Bearer {token}"}
        )

    def file(self, **plan: Any) -> dict[str, Any]:
        """File a plan of Anna and Bram with three contacts."""
        usual = {
            "site": "LANTERN",
            "lead": {"name": "Anna Holt", "phone": ANNA},
            "party": [{"name": "Bram Vik", "phone": BRAM}],
            "contacts": [
                {"name": "Cleo Marsh", "phone": CLEO},
                {"name": "Dov Lind", "phone": DOV},
                {"name": "Edda Rowe", "phone": EDDA},
            ],
            "exits": ["East beach", "West steps"],
        }
        with self.client() as client:
            answer = client.post("/api/v1/plans", json=usual | plan)
        assert answer.status_code == 201, answer.text
        filed: dict[str, Any] = answer.json()
        return filed

    def dive(self, dive_id: str) -> dict[str, Any]:
        """A dive as the API tells it."""
        with self.client() as client:
            found: dict[str, Any] = client.get(f"/api/v1/dives/{dive_id}").raise_for_status().json()
        return found

    def control(self, path: str, **orders: Any) -> dict[str, Any]:
        """Have the fake gateway do something."""
        answer = httpx.post(f"{self.gateway_url}{path}", json=orders, trust_env=False, timeout=15)
        done: dict[str, Any] = answer.raise_for_status().json()
        return done

    def text(self, sender: str, body: str) -> None:
        """A text reaches the service through the gateway."""
        posted = self.control("/control/text", sender=sender, body=body)
        assert posted["status"] == 200, posted

    def taken(self, *numbers: str) -> list[Taken]:
        """What the gateway really took, all of it or for some numbers."""
        return [one for one in read_journal(self.journal) if not numbers or one.to in numbers]

    def service(self) -> Service:
        """The database and clock of the installation, to look into."""
        return Service(self.engine, self.place.pace.clock(), self.place.url, "test")

    def entries(self, chain: str) -> list[Entry]:
        """A chain of the log."""
        return self.service().read(lambda session: log.entries(session, chain))

    def account(self) -> str:
        """What became of everything, for whoever has only the output of a failed test."""
        clock = self.service().clock.now()
        seen = [f"--- the clock shows {clock:%H:%M:%S}, a minute is {60 / self.place.pace.pace:g} s", *self._ended()]
        return "\n".join([*seen, told_of_journal(self.taken()), self._told_of_log(), ends_of_logs(self.logs)])

    def _ended(self) -> list[str]:
        """Processes that have ended by themselves."""
        return [
            f"{role} {process.pid} has ended with {process.poll()}"
            for role, processes in self.processes.items()
            for process in processes
            if process.poll() is not None
        ]

    def _told_of_log(self) -> str:
        dive_ids = self.service().read(lambda session: session.execute(select(DiveRow.id)).scalars().all())
        lines = [
            f"{entry.at:%H:%M:%S} {entry.kind} {entry.detail}"
            for chain in ("service", *map(log.dive_chain, dive_ids))
            for entry in self.entries(chain)
        ]
        return "\n".join(["--- the log", *lines])

    def move_clock_on(self, length: timedelta) -> None:
        """Let processes that are started from now on find that so much time has passed."""
        pace = self.place.pace
        shifted = Pace(pace.pace, pace.origin - length / (pace.pace - 1))
        self.place = replace(self.place, pace=shifted)


def alarms(here: Installation, number: str) -> list[str]:
    """The alarm texts that the gateway took for a number."""
    return [one.body for one in here.taken(number) if "OVERDUE" in one.body]


def arm(here: Installation, **plan: object) -> dict[str, object]:
    """A dive that is in the water and armed."""
    filed = here.file(**plan)
    here.text(ANNA, f"IN {filed['start_code']}")
    here.wait_for(lambda: here.dive(filed["id"])["armed"], 30, "armed")
    return here.dive(filed["id"])


def verified(here: Installation) -> bool:
    """Whether every chain and every fold is right."""
    return here.service().read(log.verify_all) == []


def as_if_nothing_was_set(directory: Path) -> dict[str, str]:
    """A shell's environment without what chooses another database, broker or gateway; temporary files go there."""
    told = {name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "BROKER_URL", "GATEWAYS")}
    return told | {"TMPDIR": str(directory)}


@contextmanager
def installed(directory: Path, database_url: str, pace: float) -> Iterator[Installation]:
    """An installation on an empty database, nothing but gateway and broker started yet.

    However the block ends, so does all of it; where it fails, what its parts have to say of it is printed.
    """
    data = Directory(directory / "data")
    data.make()
    port, journal = free_port(), directory / "journal.jsonl"
    inbound_url = f"http://127.0.0.1:{port}/inbound/fake/text"
    with ExitStack() as ends:
        gateway = _start_gateway(journal, inbound_url)
        ends.callback(_end_gateway, gateway)
        gateway_url = json.loads((gateway.stdout or sys.stdin).readline())["base_url"]
        broker = Broker(data.logs)
        ends.callback(broker.kill)
        place = Place(
            directory=data,
            port=port,
            pace=Pace(pace, datetime.now(UTC)),
            database_url=database_url,
            broker_url=broker.url,
            gateways=_gateways(gateway_url),
            mail_port=9,  # these gateways carry no e-mail
        )
        engine = open_engine(database_url)
        ends.callback(engine.dispose)
        here = Installation(place, broker, journal, gateway, gateway_url, data.logs, engine)
        ends.callback(here.kill, *ROLES)
        ends.enter_context(shown_on_failure(here.account))
        write_settings(place)
        prepare_database(place)
        broker.start()
        yield here


def _start_gateway(journal: Path, inbound_url: str) -> subprocess.Popen[str]:
    command = [
        *(sys.executable, "-m", "tests.fakes.gateway", "--port", "0", "--journal", str(journal)),
        *("--number", RECEIVING_NUMBER, "--inbound-url", inbound_url),
    ]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True, start_new_session=True)


def _end_gateway(gateway: subprocess.Popen[str]) -> None:
    gateway.kill()
    gateway.communicate()


def _gateways(base_url: str) -> str:
    gateway = {"name": "fake", "kind": "form-post", "base_url": base_url, "account": ACCOUNT, "token": TOKEN}
    return json.dumps([gateway | {"sender": RECEIVING_NUMBER, "receipts": False}])
