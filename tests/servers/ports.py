"""Free loopback ports for the servers that tests start."""

from __future__ import annotations

import fcntl
import os
import random
import socket
import tempfile
import time
from pathlib import Path

PORTS = range(20_000, 32_000)
TRIES = 200


class NoPortError(Exception):
    """So many ports that tests may use are taken that none was found."""


class NotListeningError(Exception):
    """A server that a test started did not open its port in time."""


def free_port() -> int:
    """A TCP port of 127.0.0.1 that nothing uses, and that stays the caller's until this process ends.

    It lies below the range from which systems hand out ports by themselves (from 32768 on Linux, from 49152 on
    macOS), so no connection gets it before the server that it is for is up. Other processes of tests keep off
    it by its file, which is locked.
    """
    directory = Path(tempfile.gettempdir()) / f"linetender-ports-{os.geteuid()}"
    directory.mkdir(mode=0o700, exist_ok=True)
    for port in random.sample(PORTS, TRIES):
        file = os.open(directory / str(port), os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            os.close(file)
            continue
        # Kept open for good where the port is free: the lock lasts as long as the file.
        if _can_listen(port):
            return port
        os.close(file)
    raise NoPortError(f"{TRIES} ports of 127.0.0.1 were tried and none is free")


def _can_listen(port: int) -> bool:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind(("127.0.0.1", port))
        except OSError:
            return False
    return True


def listening(port: int) -> bool:
    """Whether something accepts connections on this port of 127.0.0.1."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def wait_until_listening(port: int, within_s: float) -> None:
    """Return once the port accepts connections.

    Raises:
        NotListeningError: when it does not within so many seconds.

    """
    give_up_at = time.monotonic() + within_s
    while not listening(port):
        if time.monotonic() > give_up_at:
            raise NotListeningError(f"nothing listens on port {port} after {within_s} s")
        time.sleep(0.05)
