"""The demo's processes: watched, started again, ended; and nobody else's is touched."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from service.demo.broker import is_free
from service.demo.children import WAITS_S, Child, end_left_over, start_time, with_children
from tests.servers.ports import free_port

SLEEP = [sys.executable, "-c", "import time; print('up', flush=True); time.sleep(60)"]
STUBBORN = [
    *(sys.executable, "-c"),
    "import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); print('up', flush=True); time.sleep(60)",
]


@pytest.fixture
def said() -> list[str]:
    """What the demo would print."""
    return []


@pytest.fixture
def make(tmp_path: Path, said: list[str]) -> Iterator[Callable[..., Child]]:
    """Makes children, and ends them afterwards."""
    made: list[Child] = []

    def make(command: list[str]) -> Child:
        child = Child("worker", command, dict(os.environ), tmp_path / "worker.log", said.append)
        made.append(child)
        return child

    yield make
    for child in made:
        child.end(0)


def tend_until(child: Child, met: Callable[[], bool], within_s: float = 30.0) -> None:
    """Tend a child as the demo does, until something is so."""
    give_up_at = time.monotonic() + within_s
    while not met():
        assert time.monotonic() < give_up_at, "not in time"
        child.tend()
        time.sleep(0.02)


def is_up(child: Child) -> bool:
    """Whether its process has said that it runs."""
    return child.pid is not None and child.log.exists() and "up" in child.log.read_text()


def test_a_killed_child_is_started_again_and_that_is_said(make: Callable[..., Child], said: list[str]) -> None:
    """After signal 9 there is a new process within a second or two."""
    child = make(SLEEP)
    child.start()
    first = child.pid
    assert first is not None

    os.kill(first, signal.SIGKILL)
    tend_until(child, lambda: child.pid not in (first, None))

    assert any("signal 9" in line for line in said)


def test_a_child_that_dies_at_once_waits_longer_each_time(make: Callable[..., Child], said: list[str]) -> None:
    """It does not keep the machine busy with starting."""
    child = make([sys.executable, "-S", "-c", "raise SystemExit(3)"])
    child.start()

    tend_until(child, lambda: len(said) == 2)

    assert [f"{wait:g} s" in line for wait, line in zip(WAITS_S[1:], said, strict=False)] == [True, True]
    assert "exit status 3" in said[0]


def test_a_child_that_does_not_listen_is_ended_in_time(make: Callable[..., Child]) -> None:
    """It ignores the polite signal: after its time it is gone all the same."""
    child = make(STUBBORN)
    child.start()
    tend_until(child, lambda: is_up(child))
    pid, began = child.pid, time.monotonic()
    assert pid is not None

    child.ask_to_end()
    child.end(0.3)

    assert time.monotonic() - began < 3.0
    assert start_time(pid) is None


def test_what_a_killed_demo_left_is_ended_by_number_and_beginning(tmp_path: Path) -> None:
    """Ours has both and ends; a process that only has the number of one of ours is somebody else's and stays."""
    with (
        subprocess.Popen(SLEEP, stdout=subprocess.DEVNULL) as ours,
        subprocess.Popen(SLEEP, stdout=subprocess.DEVNULL) as other,
    ):
        try:
            known = {str(ours.pid): start_time(ours.pid), str(other.pid): "long ago", str(2**22 + 7): "never"}

            ended = end_left_over(known, 5.0)

            assert ended == 1
            assert ours.wait(5) == -signal.SIGTERM
            assert other.poll() is None
        finally:
            ours.kill()
            other.kill()


def test_a_process_is_known_with_what_it_started() -> None:
    """Itself first, then its children and theirs."""
    nested = "import subprocess, sys; subprocess.run([sys.executable, '-c', 'import time; time.sleep(60)'])"
    with subprocess.Popen([sys.executable, "-c", nested], start_new_session=True) as process:
        try:
            give_up_at = time.monotonic() + 30
            while len(with_children(process.pid)) < 2 and time.monotonic() < give_up_at:
                time.sleep(0.02)
            assert with_children(process.pid)[0] == process.pid
            assert len(with_children(process.pid)) == 2
        finally:
            os.killpg(process.pid, signal.SIGKILL)


def test_a_process_that_is_gone_has_no_beginning() -> None:
    """Its number alone says nothing."""
    with subprocess.Popen([sys.executable, "-S", "-c", ""]) as process:
        process.wait()

    assert start_time(process.pid) is None
    assert start_time(os.getpid()) == start_time(os.getpid()) is not None


def test_a_port_in_use_is_seen() -> None:
    """A demo does not start where somebody else listens."""
    port = free_port()
    assert is_free("127.0.0.1", port)

    with socket.create_server(("127.0.0.1", port)):
        assert not is_free("127.0.0.1", port)
