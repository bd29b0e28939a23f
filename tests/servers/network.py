"""Keeps the tests on this machine: a connection to anywhere else is refused and fails the test."""

from __future__ import annotations

import ipaddress
import socket
import sys

LOCAL_NAMES = frozenset({"localhost", ""})


class NetworkForbiddenError(Exception):
    """A test tried to reach something outside this machine."""


# What was tried since it was last asked; code under test may have swallowed the error.
_attempts: list[str] = []


def is_local(host: object) -> bool:
    """Whether a host, as it is given to a socket, is this machine."""
    if host is None:
        return True
    name = host.decode() if isinstance(host, bytes) else str(host)
    if name in LOCAL_NAMES:
        return True
    try:
        return ipaddress.ip_address(name.partition("%")[0]).is_loopback
    except ValueError:
        return False


def _watch(event: str, arguments: tuple[object, ...]) -> None:
    """The audit hook: Python calls it before each of its own network operations."""
    if event == "socket.getaddrinfo":
        host = arguments[0]
    elif event in {"socket.connect", "socket.sendto"}:
        end, address = arguments[0], arguments[-1]
        if getattr(end, "family", None) not in {socket.AF_INET, socket.AF_INET6}:
            return
        host = address[0] if isinstance(address, tuple) else address
    else:
        return
    if not is_local(host):
        _attempts.append(f"{event} {host!r}")
        raise NetworkForbiddenError(f"tests stay on this machine, but {event} was asked for {host!r}")


def forbid_outside() -> None:
    """Refuse, from now on and for good in this process, what leaves the machine."""
    sys.addaudithook(_watch)


def take_attempts() -> list[str]:
    """What was tried since the last call."""
    taken = _attempts.copy()
    _attempts.clear()
    return taken
