"""A real PostgreSQL stopped under a dive that falls due: a keeper alone alarms, and the record has it afterwards."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from service.demo.preparing import environment
from service.operations.snapshotting import HEARTBEAT
from service.store import health, log
from tests.end_to_end.installation import ANNA, BRAM, CLEO, ROLES, ROOT, Installation, arm, installed, verified
from tests.servers.postgres import Postgres, start_postgres

pytestmark = [pytest.mark.processes, pytest.mark.postgres]

PACE = 60
FASTER = 8.0  # of the keeper's own seconds: it stands in after 15 real ones
ALARM_WITHIN_S = 60.0


@pytest.fixture
def server() -> Iterator[Postgres]:
    """A PostgreSQL of this test's own, which it may stop."""
    server = start_postgres()
    yield server
    server.remove()


@contextmanager
def quick_keeper(here: Installation, ear: Path) -> Iterator[subprocess.Popen[bytes]]:
    """The keeper, under a supervisor that listens."""
    told = environment(here.place.settings(), os.environ)
    told |= {"TMPDIR": str(here.logs), "NOTIFY_SOCKET": str(ear), "WATCHDOG_USEC": "30000000"}
    with (here.logs / "keeper.log").open("ab") as out:
        process = subprocess.Popen(
            [sys.executable, "-m", "tests.end_to_end.quick_keeper", str(FASTER)],
            env=told,
            cwd=ROOT,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
        )
    try:
        yield process
    finally:
        process.terminate()
        process.wait(30)


def test_the_keeper_alone_alarms_while_the_database_is_stopped(server: Postgres, tmp_path: Path) -> None:
    """Everything else is dead: the contact has the alarm; afterwards the log has it, and a finish stands them down."""
    ear = tmp_path / "n"
    with (
        installed(tmp_path, server.url(server.create_database()), PACE) as here,
        socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as supervisor,
    ):
        supervisor.bind(str(ear))
        supervisor.settimeout(0)
        here.start(*ROLES[:3])
        with quick_keeper(here, ear):
            here.wait_until_ready()
            dive_id = str(arm(here, run_time_min=5, grace_min=8)["id"])
            kept_since(here)
            server.stop()
            here.kill(*ROLES[:3])
            stopped_at = time.monotonic()

            here.wait_for(lambda: bool(unconfirmed(here, CLEO)), ALARM_WITHIN_S, "the alarm is at the gateway")
            assert time.monotonic() - stopped_at < ALARM_WITHIN_S
            assert "They may be out" in unconfirmed(here, CLEO)[0]
            drained = heard(supervisor)
            assert drained[0] == b"READY=1\nWATCHDOG=1"
            here.wait_for(lambda: heard(supervisor) != [], 20, "a look by the snapshot is a sign of life")

            server.start()
            chain = log.dive_chain(dive_id)
            here.wait_for(lambda: "told_meanwhile" in kinds(here, chain), 60, "the record has it")
            here.start(*ROLES[:3])
            here.wait_for(lambda: here.answers("/readyz"), 60, "the web is back")
            here.text(ANNA, "OUT 2")
            here.wait_for(lambda: here.dive(dive_id)["phase"] == "closed", 60, "the dive is closed")
            here.wait_until_settled()
            assert verified(here)

    assert any("OUT. It is over" in one.body for one in here.taken(CLEO))
    assert len([body for body in unconfirmed(here, CLEO) if "CALL RESCUE NOW" not in body]) == 1
    assert not unconfirmed(here, BRAM)


def kept_since(here: Installation) -> None:
    """Return once a snapshot has been written that is younger than this moment."""
    now = here.service().clock.now()

    def fresh() -> bool:
        beat = here.service().read(lambda session: health.heartbeat(session, HEARTBEAT))
        return beat is not None and beat.at > now

    here.wait_for(fresh, 30, "a snapshot is written")


def unconfirmed(here: Installation, phone: str) -> list[str]:
    """The alarms to a phone that nothing confirmed."""
    return [one.body for one in here.taken(phone) if "NOT CONFIRMED" in one.body]


def kinds(here: Installation, chain: str) -> list[str]:
    """The kinds of the entries of a chain, once the database can be asked."""
    return [entry.kind for entry in here.entries(chain)]


def heard(supervisor: socket.socket) -> list[bytes]:
    """What the supervisor has heard since it was asked last."""
    found: list[bytes] = []
    while True:
        try:
            found.append(supervisor.recv(4096))
        except BlockingIOError:
            return found
