"""Free loopback ports for the servers that tests start."""

from __future__ import annotations

import socket
import time


class NotListeningError(Exception):
    """A server that a test started did not open its port in time."""


def free_port() -> int:
    """A TCP port of 127.0.0.1 that nothing uses at this moment.

    The system hands such ports out in turn, so two processes that ask get different ones.
    """
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port: int = probe.getsockname()[1]
    return port


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
