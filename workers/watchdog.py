"""Telling the supervisor that this process does its work, by the protocol of sd_notify(3) of systemd.

One datagram to the socket in NOTIFY_SOCKET. Nothing is sent from a thread of its own: a process that only lives proves
nothing, so whoever completes a round says so. Without that variable nobody listens, and nothing is sent.

Source: https://www.freedesktop.org/software/systemd/man/latest/sd_notify.html
"""

from __future__ import annotations

import logging
import os
import socket
from collections.abc import Mapping
from typing import Final

_LOG = logging.getLogger(__name__)

READY: Final = b"READY=1"
ALIVE: Final = b"WATCHDOG=1"
MICROSECONDS: Final = 1_000_000


class Watchdog:
    """The supervisor's ear. `within_s`: how often it wants to hear of us; None where it does not ask.

    A socket whose name begins with @ is an abstract one, which has no file.
    """

    def __init__(self, environ: Mapping[str, str], pid: int | None = None) -> None:
        self._address = environ.get("NOTIFY_SOCKET", "")
        self._ready = False
        for_us = environ.get("WATCHDOG_PID", "") in ("", str(pid or os.getpid()))
        given = environ.get("WATCHDOG_USEC", "")
        self.within_s = int(given) / MICROSECONDS if for_us and given.isdigit() and int(given) > 0 else None

    def completed(self) -> None:
        """A whole round is done. The first one is when we are ready."""
        told = [] if self._ready else [READY]
        self._ready = True
        self._tell(b"\n".join([*told, *([ALIVE] if self.within_s is not None else [])]))

    def _tell(self, words: bytes) -> None:
        if not self._address or not words:
            return
        address = f"\0{self._address[1:]}" if self._address.startswith("@") else self._address
        try:
            with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as ear:
                ear.settimeout(0)  # a supervisor that hangs must not hang us
                ear.sendto(words, address)
        except OSError:
            _LOG.warning("watchdog_not_told", exc_info=True)
