"""The demo itself: web, worker, beat, keeper and broker as processes of this one, watched until it ends."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Mapping
from http import HTTPStatus
from pathlib import Path
from types import TracebackType
from typing import Any, Final, Self

import httpx

from service.demo.broker import broker_command, free_port, is_free, wait_until_listening
from service.demo.children import Child, end_left_over, start_time, with_children
from service.demo.directory import Directory
from service.demo.mail_room import mail_room_command
from service.demo.preparing import (
    HOST,
    Place,
    choose_pace,
    environment,
    prepare_database,
    write_settings,
)
from service.store import health, seed
from service.store.engine import open_engine, reading

READY_WITHIN_S: Final = 90.0
LEFT_OVER_ENDS_WITHIN_S: Final = 5.0
# In the order in which they end: no new ticks, no new requests, then those who act, then what they lean on.
ENDS_WITHIN_S: Final = {"beat": 3.0, "web": 5.0, "worker": 8.0, "keeper": 5.0, "mail": 3.0, "broker": 3.0}
STARTS: Final = ("broker", "mail", "web", "worker", "beat", "keeper")


class CannotStartError(Exception):
    """The demo cannot start; the message tells a person what to do."""


class Demo:
    """One demo. As a context it has a directory to itself, starts everything, and ends everything.

    `environ` may name another DATABASE_URL, BROKER_URL or GATEWAYS. `fresh` forgets what was in the directory.
    `dead_first`: the gateway that is preferred cannot be reached.
    Raises AlreadyRunningError, CannotStartError and ClockWentAheadError.
    """

    def __init__(
        self,
        path: Path,
        *,
        port: int,
        pace: float,
        environ: Mapping[str, str],
        say: Callable[[str], None],
        fresh: bool = False,
        dead_first: bool = False,
    ) -> None:
        self._directory = Directory(path.resolve())
        self._port, self._pace, self._fresh = port, pace, fresh
        self._environ = environ
        self._dead_first = dead_first
        self._say = say
        self._children: dict[str, Child] = {}
        self._document: dict[str, Any] = {}
        self._directory.make()
        self._lock = self._directory.locked()

    def __enter__(self) -> Self:
        self._lock.__enter__()
        try:
            self._start()
        except BaseException:
            self._end()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, fault: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._end()

    @property
    def document(self) -> dict[str, Any]:
        """What demo.json says."""
        return self._document

    def settings(self) -> dict[str, str]:
        """The environment with which another of our commands works on this demo."""
        return environment(self._place.settings(), self._environ)

    def tend(self) -> None:
        """Start again whoever has died, and keep demo.json true. To be called about once a second."""
        for child in self._children.values():
            child.tend()
        self._write_pids()

    def _start(self) -> None:
        left = end_left_over(self._directory.read("processes.json") or {}, LEFT_OVER_ENDS_WITHIN_S)
        if left:
            self._say(f"Ended {left} processes of a demo that had not been stopped.")
        self._directory.remove("demo.json")
        if self._fresh:
            self._directory.clear()
        if not is_free(HOST, self._port):
            raise CannotStartError(f"port {self._port} is in use: choose another, such as --port {free_port()}")
        self._place = self._choose_place()
        write_settings(self._place)
        self._say("Preparing the database ...")
        seeded = prepare_database(self._place)
        self._say("Starting broker, web, worker, beat and keeper ...")
        self._start_children()
        self._wait_until_ready()
        self._document = self._described(seeded)
        self._write_pids()

    def _choose_place(self) -> Place:
        database_url = self._environ.get("DATABASE_URL") or f"sqlite:///{self._directory.database}"
        engine = open_engine(database_url)
        try:
            pace = choose_pace(self._directory, self._pace, engine)
        finally:
            engine.dispose()
        return Place(
            directory=self._directory,
            port=self._port,
            pace=pace,
            database_url=database_url,
            broker_url=self._environ.get("BROKER_URL") or f"redis://{HOST}:{free_port()}/0",
            gateways=self._environ.get("GATEWAYS") or None,
            mail_port=free_port(),
            dead_port=free_port() if self._dead_first else None,
        )

    def _start_children(self) -> None:
        told = environment(self._place.settings(), self._environ)
        for role in STARTS:
            if role == "broker" and self._environ.get("BROKER_URL"):
                continue
            if role == "mail" and self._place.gateways is not None:
                continue
            log = self._directory.logs / f"{role}.log"
            log.write_bytes(b"")
            child = Child(role, self._command(role), told, log, self._say)
            self._children[role] = child
            child.start()
            self._note_processes()
            if role == "broker" and not wait_until_listening(self._broker_port()):
                raise CannotStartError(f"the broker did not start; its log is {log}")

    def _command(self, role: str) -> list[str]:
        if role == "broker":
            return broker_command(self._broker_port(), self._directory.path)
        if role == "mail":
            return mail_room_command(self._place.mail_port)
        return [sys.executable, "-m", "service.cli", role]

    def _broker_port(self) -> int:
        return int(self._place.broker_url.rpartition(":")[2].partition("/")[0])

    def _wait_until_ready(self) -> None:
        """Ready is when the web answers and a worker has swept: then broker, beat and worker work together."""
        give_up_at = time.monotonic() + READY_WITHIN_S
        engine = open_engine(self._place.database_url)
        began_at = self._place.pace.clock().now()
        try:
            while time.monotonic() < give_up_at:
                with reading(engine) as session:
                    swept = health.heartbeat(session, "sweep")
                by_worker = swept is not None and swept.at >= began_at and (swept.detail or "").startswith("worker")
                if by_worker and _answers(f"{self._place.url}/readyz"):
                    return
                for child in self._children.values():
                    child.tend()
                time.sleep(0.2)
        finally:
            engine.dispose()
        raise CannotStartError(f"it was not ready within {READY_WITHIN_S:g} s; the logs are in {self._directory.logs}")

    def _described(self, seeded: seed.Seeded) -> dict[str, Any]:
        directory = self._directory
        return {
            "url": self._place.url,
            "api_token": directory.secret("api-token"),
            "club": seeded.club_id,
            "receiving_number": seeded.receiving_number,
            "admin": {"email": seeded.admin_email, "password": directory.secret("admin-password")},
            "people": [{"name": name, "phone": phone} for name, phone in seeded.people],
            "sites": list(seeded.sites),
            "pace": self._place.pace.pace,
        }

    def _write_pids(self) -> None:
        pids: dict[str, list[int]] = {role: [] for role in ENDS_WITHIN_S}
        for role, child in self._children.items():
            pids[role] = with_children(child.pid) if child.pid else []
        if self._document and self._document.get("pids") != pids:
            self._document["pids"] = pids
            self._directory.write("demo.json", self._document)
            self._note_processes()

    def _note_processes(self) -> None:
        """Write down which processes are ours, for a next demo in case that this one is killed."""
        pids = [pid for child in self._children.values() if child.pid for pid in with_children(child.pid)]
        self._directory.write("processes.json", {str(pid): start_time(pid) for pid in pids})

    def _end(self) -> None:
        for role, within_s in ENDS_WITHIN_S.items():
            child = self._children.get(role)
            if child is not None:
                child.ask_to_end()
                child.end(within_s)
        self._directory.remove("demo.json")
        self._directory.remove("processes.json")
        self._lock.__exit__(None, None, None)


def _answers(url: str) -> bool:
    try:
        with httpx.Client(timeout=2, trust_env=False) as client:
            return client.get(url).status_code == HTTPStatus.OK
    except httpx.HTTPError:
        return False
