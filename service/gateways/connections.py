"""Connections to a gateway that end in time, and only lead where the settings allow.

httpx limits each phase and each silence between bytes, but not the whole: an answer that drips one byte a
second, or a name server that never answers, would hold a sender for minutes. So every read, write, look-up
and connect here is given what is left of one deadline. Names are resolved here too, because only the address
that is really connected to can be checked: a name that was harmless at start-up may lead into the private
network later.
"""

from __future__ import annotations

import ipaddress
import queue
import socket
import threading
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import httpcore
import httpx

if TYPE_CHECKING:
    import ssl

MAX_LOOKUPS = 16
"""Name look-ups under way at once; one that hangs in the system's resolver cannot be stopped."""

Address = ipaddress.IPv4Address | ipaddress.IPv6Address
Resolve = Callable[[str, int], list[str]]


@dataclass(frozen=True, slots=True)
class AddressRule:
    """Where a gateway may be: the public network over TLS, this machine, or a private network if allowed."""

    clear_text: bool
    loopback: bool
    allow_private: bool

    def permits(self, address: Address) -> bool:
        """Whether a connection to this address may be opened. Clear text never goes to a public address."""
        if isinstance(address, ipaddress.IPv6Address) and address.ipv4_mapped is not None:
            return self.permits(address.ipv4_mapped)
        if address.is_multicast or address.is_unspecified:
            return False
        if address.is_loopback:
            return self.loopback or self.allow_private
        if address.is_global:
            return not self.clear_text
        return self.allow_private


def literal_address(host: str) -> Address | None:
    """Return the address that the host is written as, or None if it is a name."""
    try:
        return ipaddress.ip_address(host)
    except ValueError:
        return None


def is_this_machine(host: str) -> bool:
    """Whether the host, as written, can only mean this machine."""
    address = literal_address(host)
    return host.lower() == "localhost" if address is None else address.is_loopback


def system_addresses(host: str, port: int) -> list[str]:
    """Ask the system's resolver. Raises OSError (gaierror) or UnicodeError when the name has no address."""
    found = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
    return list(dict.fromkeys(str(entry[4][0]) for entry in found))


class Deadline(threading.local):
    """When the exchange on this thread ends, in monotonic seconds. httpcore works on its caller's thread."""

    ends: float = float("inf")

    @contextmanager
    def within(self, seconds: float) -> Iterator[None]:
        """Give everything inside, together, so many seconds."""
        self.ends = time.monotonic() + seconds
        try:
            yield
        finally:
            self.ends = float("inf")

    def left(self, phase: float | None, exceeded: type[httpcore.TimeoutException]) -> float | None:
        """Return the seconds for a next step: of its phase or of the whole, whichever is less.

        Raises the given time-out when nothing is left of the whole.
        """
        whole = self.ends - time.monotonic()
        if whole <= 0:
            message = "the time for the whole exchange is over"
            raise exceeded(message)
        if whole == float("inf"):
            return phase
        return whole if phase is None else min(phase, whole)


class _TimedStream(httpcore.NetworkStream):
    """A connection whose every step also obeys the deadline of the whole."""

    def __init__(self, stream: httpcore.NetworkStream, deadline: Deadline) -> None:
        self._stream = stream
        self._deadline = deadline

    def read(self, max_bytes: int, timeout: float | None = None) -> bytes:
        return self._stream.read(max_bytes, self._deadline.left(timeout, httpcore.ReadTimeout))

    def write(self, buffer: bytes, timeout: float | None = None) -> None:
        self._stream.write(buffer, self._deadline.left(timeout, httpcore.WriteTimeout))

    def close(self) -> None:
        self._stream.close()

    def start_tls(
        self,
        ssl_context: ssl.SSLContext,
        server_hostname: str | None = None,
        timeout: float | None = None,
    ) -> httpcore.NetworkStream:
        left = self._deadline.left(timeout, httpcore.ConnectTimeout)
        return _TimedStream(self._stream.start_tls(ssl_context, server_hostname, left), self._deadline)

    def get_extra_info(self, info: str) -> Any:
        return self._stream.get_extra_info(info)


class BoundedBackend(httpcore.NetworkBackend):
    """Opens connections within the deadline and the address rule."""

    def __init__(self, rule: AddressRule, deadline: Deadline, resolve: Resolve = system_addresses) -> None:
        self._rule = rule
        self._deadline = deadline
        self._resolve = resolve
        self._lookups = threading.BoundedSemaphore(MAX_LOOKUPS)
        self._sockets = httpcore.SyncBackend()

    def connect_tcp(
        self,
        host: str,
        port: int,
        timeout: float | None = None,
        local_address: str | None = None,
        socket_options: Iterable[httpcore.SOCKET_OPTION] | None = None,
    ) -> httpcore.NetworkStream:
        """Connect to the first permitted address that answers; `timeout` covers look-up and all tries.

        Raises httpcore.ConnectError or httpcore.ConnectTimeout; nothing has been sent then.
        """
        allowed = self._deadline.left(timeout, httpcore.ConnectTimeout)
        ends = float("inf") if allowed is None else time.monotonic() + allowed
        addresses = self._permitted(host, self._look_up(host, port, allowed))
        for position, address in enumerate(addresses, start=1):
            share = max((ends - time.monotonic()) / (len(addresses) - position + 1), 0.001)
            try:
                stream = self._sockets.connect_tcp(
                    address, port, None if allowed is None else share, local_address, socket_options
                )
            except (httpcore.ConnectError, httpcore.ConnectTimeout):
                if position == len(addresses):
                    raise
            else:
                return _TimedStream(stream, self._deadline)
        message = f"no address found for {host}"
        raise httpcore.ConnectError(message)

    def _permitted(self, host: str, addresses: list[str]) -> list[str]:
        permitted = [a for a in addresses if self._rule.permits(ipaddress.ip_address(a.partition("%")[0]))]
        if addresses and not permitted:
            message = f"{host} leads to an address that the settings do not allow"
            raise httpcore.ConnectError(message)
        return permitted

    def _look_up(self, host: str, port: int, seconds: float | None) -> list[str]:
        if literal_address(host) is not None:
            return [host]
        if not self._lookups.acquire(timeout=-1 if seconds is None else seconds):
            message = "too many name look-ups are hanging"
            raise httpcore.ConnectTimeout(message)
        answers: queue.SimpleQueue[list[str] | Exception] = queue.SimpleQueue()
        # A daemon, since a look-up that hangs must not keep the process from ending.
        threading.Thread(target=self._ask, args=(host, port, answers), daemon=True).start()
        try:
            answer = answers.get(timeout=seconds)
        except queue.Empty:
            message = f"looking up {host} took too long"
            raise httpcore.ConnectTimeout(message) from None
        if isinstance(answer, Exception):
            raise httpcore.ConnectError(str(answer)) from answer
        return answer

    def _ask(self, host: str, port: int, answers: queue.SimpleQueue[list[str] | Exception]) -> None:
        try:
            answers.put(self._resolve(host, port))
        except (OSError, UnicodeError) as fault:
            answers.put(fault)
        finally:
            self._lookups.release()


def tls_context() -> ssl.SSLContext:
    """Return the TLS rules: certificates and host names are always checked, whatever the environment says."""
    return httpx.create_ssl_context(trust_env=False)
