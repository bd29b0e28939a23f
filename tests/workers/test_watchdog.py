"""The supervisor hears of completed looks alone, by a file or an abstract socket."""

from __future__ import annotations

import configparser
import socket
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest
from click import Context

from service.cli import main
from service.operations.service import Service
from service.operations.spooling import Spool
from service.store.engine import open_engine
from tests.operations.stage import Stage
from workers.keeper import Keeper
from workers.watchdog import Watchdog

UNITS = Path(__file__).resolve().parents[2] / "deploy" / "systemd"


@pytest.fixture(params=["file", "abstract"])
def ear(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[tuple[str, socket.socket]]:
    """The supervisor's socket and its name in the environment."""
    name = str(tmp_path / "n") if request.param == "file" else f"@linetender-test-{tmp_path.name}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(name.replace("@", "\0", 1) if name.startswith("@") else name)
        listening.settimeout(5.0)
        yield name, listening


def heard(listening: socket.socket) -> list[bytes]:
    """All that has come by now."""
    listening.settimeout(0.0)
    found: list[bytes] = []
    while True:
        try:
            found.append(listening.recv(4096))
        except BlockingIOError:
            return found


def test_ready_is_said_once_and_alive_after_every_look(ear: tuple[str, socket.socket]) -> None:
    """Nothing before the first completed look."""
    name, listening = ear
    watchdog = Watchdog({"NOTIFY_SOCKET": name, "WATCHDOG_USEC": "30000000"})
    assert heard(listening) == []

    watchdog.completed()
    watchdog.completed()

    assert heard(listening) == [b"READY=1\nWATCHDOG=1", b"WATCHDOG=1"]
    assert watchdog.within_s == 30.0


@pytest.mark.parametrize(
    "given",
    [
        pytest.param({}, id="not asked for"),
        pytest.param({"WATCHDOG_USEC": "0"}, id="switched off"),
        pytest.param({"WATCHDOG_USEC": "soon"}, id="no number"),
        pytest.param({"WATCHDOG_USEC": "30000000", "WATCHDOG_PID": "1"}, id="meant for another process"),
    ],
)
def test_who_asks_for_no_sign_of_life_hears_only_that_we_are_ready(
    ear: tuple[str, socket.socket], given: dict[str, str]
) -> None:
    """Without a watchdog of ours there is nothing to keep quiet."""
    name, listening = ear
    watchdog = Watchdog({"NOTIFY_SOCKET": name, **given})

    watchdog.completed()
    watchdog.completed()

    assert heard(listening) == [b"READY=1"]
    assert watchdog.within_s is None


def test_a_supervisor_that_is_not_there_stops_nothing(tmp_path: Path) -> None:
    """No socket at that name, or no name at all."""
    Watchdog({"NOTIFY_SOCKET": str(tmp_path / "nobody"), "WATCHDOG_USEC": "1000000"}).completed()
    Watchdog({}).completed()


def keep_for_a_while(keeper: Keeper) -> None:
    """Let a keeper run for one look and a little more."""
    stopping = threading.Event()
    running = threading.Thread(target=keeper.run, args=(stopping,))
    running.start()
    time.sleep(1.0)
    stopping.set()
    running.join()


@pytest.mark.parametrize("kept", [False, True], ids=["no snapshot", "a snapshot"])
def test_a_look_that_fails_counts_only_where_the_snapshot_could_be_watched(
    stage: Stage, tmp_path: Path, *, kept: bool
) -> None:
    """With the database gone a keeper is alive by its snapshot; one that has none is started again."""
    spool, told = Spool(tmp_path / "spool", "s" * 40), [0]

    def completed() -> None:
        told[0] += 1

    if kept:
        first = Keeper(stage.service, stage.courier, gateways=[stage.first], spool=spool)
        first.look()
        for threads in (first._thread, first._asking):
            threads.shutdown(wait=True)
        assert first._standby is not None
        first._standby.close()
    away = Service(open_engine("sqlite:////no/such/directory/x.db"), stage.clock, "https://dive.example", "keeper-1")
    keep_for_a_while(Keeper(away, stage.courier, gateways=[stage.first], spool=spool, completed=completed))

    assert bool(told[0]) is kept


@pytest.mark.parametrize("process", ["web", "fallback", "worker", "beat", "keeper"])
def test_each_process_has_a_unit_that_starts_it_again_for_ever(process: str) -> None:
    """The command is one of ours; only the keeper, which says that it is alive, is watched for that.

    SIGTERM to every process of a worker would end its calls in the middle: a reply is lost, an alarm late and doubled.
    So would a database that ends before it when the machine is shut down. The others start without one.
    """
    unit = configparser.ConfigParser(interpolation=None)
    unit.optionxform = str  # type: ignore[assignment, method-assign]
    unit.read(UNITS / f"linetender-{process}.service", encoding="utf-8")
    service = unit["Service"]

    assert service["ExecStart"].split()[-1] == process
    assert process in main.list_commands(Context(main))
    assert (service["Restart"], unit["Unit"]["StartLimitIntervalSec"]) == ("always", "0")
    assert "MemoryMax" in service
    assert (service.get("Type"), service.get("WatchdogSec")) == (
        ("notify", "30") if process == "keeper" else (None, None)
    )
    assert ("postgresql.service" in unit["Unit"]["After"].split()) is (process == "worker")
    assert service.get("KillMode") == ("mixed" if process == "worker" else None)
