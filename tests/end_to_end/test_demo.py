"""The demo as a person runs it: started twice, killed, started again, stopped."""

from __future__ import annotations

import json
import os
import signal
import stat
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from service.demo.children import start_time
from tests.end_to_end.installation import ROOT
from tests.servers.ports import free_port, listening

pytestmark = pytest.mark.processes

READY_WITHIN_S = 90.0


def start(data: Path, port: int) -> subprocess.Popen[str]:
    """Start a demo as from a shell in which nothing is set."""
    return subprocess.Popen(
        [sys.executable, "-m", "service.cli", "demo", "--port", str(port), "--pace", "60", "--data", str(data)],
        cwd=ROOT,
        env={
            name: value for name, value in os.environ.items() if name not in ("DATABASE_URL", "BROKER_URL", "GATEWAYS")
        },
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )


def wait_for(met: Callable[[], Any], within_s: float = READY_WITHIN_S) -> None:
    """Return once it is so."""
    give_up_at = time.monotonic() + within_s
    while not met():
        assert time.monotonic() < give_up_at, "not in time"
        time.sleep(0.1)


def told(data: Path) -> dict[str, Any]:
    """What the demo tells scripts; empty before it is ready."""
    path = data / "demo.json"
    return json.loads(path.read_text(encoding="utf-8")) if path.exists() else {}


def pids(data: Path) -> list[int]:
    """All its processes but itself."""
    return [pid for role in told(data)["pids"].values() for pid in role]


def test_the_demo_is_started_twice_killed_and_stopped(tmp_path: Path) -> None:
    """The second start names the first; after a kill the next one cleans up, goes on, and stops all by Ctrl-C."""
    data, port = tmp_path / "data", free_port()
    first = start(data, port)
    try:
        wait_for(lambda: told(data))
        document = told(data)
        assert document["url"] == f"http://127.0.0.1:{port}"
        assert all(document["pids"][role] for role in ("web", "worker", "beat", "keeper", "broker"))
        for name in ("demo.json", "secret-key", "api-token", "gateways.json", "settings.sh"):
            assert stat.S_IMODE((data / name).stat().st_mode) == 0o600

        second = start(data, free_port())
        said, _ = second.communicate(timeout=60)
        assert (second.returncode, document["url"] in said) == (0, True)
    finally:
        left = pids(data) if told(data) else []
        first.kill()
        first.communicate()
    assert listening(port)

    again = start(data, port)
    try:
        wait_for(lambda: told(data) and not set(pids(data)) & set(left))
        assert [pid for pid in left if start_time(pid)] == []
        assert told(data)["api_token"] == document["api_token"]
        running = pids(data)
        again.send_signal(signal.SIGINT)
        said, _ = again.communicate(timeout=40)
    finally:
        again.kill()
    assert again.returncode == 0
    assert said.rstrip().endswith("Stopped.")
    assert [pid for pid in running if start_time(pid)] == []
    assert not listening(port)
