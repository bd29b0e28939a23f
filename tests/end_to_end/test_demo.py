"""The demo as a person runs it: started twice, killed, started again, stopped."""

from __future__ import annotations

import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest

from service.demo.children import end_left_over, start_time
from service.demo.directory import Directory
from tests.end_to_end.evidence import ends_of_logs, shown_on_failure
from tests.end_to_end.installation import ROOT, as_if_nothing_was_set
from tests.servers.ports import free_port, listening

pytestmark = pytest.mark.processes

READY_WITHIN_S = 90.0
ENDS_WITHIN_S = 60.0


def start(data: Path, port: int, says: Path) -> subprocess.Popen[bytes]:
    """Start a demo as from a shell in which nothing is set; what it says goes to a file."""
    with says.open("wb") as out:
        return subprocess.Popen(
            [sys.executable, "-m", "service.cli", "demo", "--port", str(port), "--pace", "60", "--data", str(data)],
            cwd=ROOT,
            env=as_if_nothing_was_set(says.parent),
            stdout=out,
            stderr=subprocess.STDOUT,
            start_new_session=True,
        )


def end(process: subprocess.Popen[bytes]) -> None:
    """End the demo's own process the hard way, if it still runs; what it started goes on."""
    process.kill()
    process.wait()


def end_processes(data: Path) -> None:
    """End what a killed demo has left behind."""
    end_left_over(Directory(data).read("processes.json") or {}, 0.0)


def wait_for(met: Callable[[], Any], within_s: float = READY_WITHIN_S) -> None:
    """Return once it is so."""
    give_up_at = time.monotonic() + within_s
    while not met():
        assert time.monotonic() < give_up_at, "not in time"
        time.sleep(0.1)


def told(data: Path) -> dict[str, Any]:
    """What the demo tells scripts; empty before it is ready."""
    return Directory(data).read("demo.json") or {}


def pids(document: dict[str, Any]) -> list[int]:
    """All its processes but itself."""
    return [pid for role in document.get("pids", {}).values() for pid in role]


def test_the_demo_is_started_twice_killed_and_stopped(tmp_path: Path) -> None:
    """The second start names the first; after a kill the next one cleans up, goes on, and stops all by Ctrl-C."""
    data, port = tmp_path / "data", free_port()
    says = [tmp_path / f"{time}.log" for time in ("first", "second", "again")]
    with ExitStack() as ends:
        ends.callback(end_processes, data)
        first = start(data, port, says[0])
        ends.callback(end, first)
        ends.enter_context(shown_on_failure(lambda: ends_of_logs(tmp_path), lambda: ends_of_logs(data / "logs")))
        wait_for(lambda: told(data))
        document = told(data)
        assert document["url"] == f"http://127.0.0.1:{port}"
        assert all(document["pids"][role] for role in ("web", "worker", "beat", "keeper", "broker"))
        for name in ("demo.json", "secret-key", "api-token", "gateways.json", "settings.sh"):
            assert stat.S_IMODE((data / name).stat().st_mode) == 0o600

        second = start(data, free_port(), says[1])
        ends.callback(end, second)
        assert second.wait(ENDS_WITHIN_S) == 0
        assert document["url"] in says[1].read_text()

        left = pids(told(data))
        end(first)
        assert listening(port)

        again = start(data, port, says[2])
        ends.callback(end, again)
        wait_for(lambda: (now := told(data)) and not set(pids(now)) & set(left))
        assert [pid for pid in left if start_time(pid)] == []
        assert told(data)["api_token"] == document["api_token"]
        running = pids(told(data))
        again.send_signal(signal.SIGINT)
        assert again.wait(ENDS_WITHIN_S) == 0
        assert says[2].read_text().rstrip().endswith("Stopped.")
        assert [pid for pid in running if start_time(pid)] == []
        wait_for(lambda: not listening(port), 5.0)
