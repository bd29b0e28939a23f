"""The lines to one gateway: connections that are kept alive and used again, for requests of httpx.

httpx's own transport spends more on its bookkeeping than a message costs us in all; here a request is one write, and
its answer is read by the standard library. Names, addresses, TLS and time are `service.gateways.connections`'s.
"""

from __future__ import annotations

import http.client
import io
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from functools import partial
from typing import Any, Final, TypeVar

import httpcore
import httpx

from service.gateways.connections import BoundedBackend, Deadline, tls_context

# Short, so that we rarely write into a connection which the other end is just closing.
KEPT_FOR_S: Final = 5.0
PIECE: Final = 16 * 1024
INTERIM_MAX: Final = 10  # answers 1xx before the real one

T = TypeVar("T")


class _Heard(io.RawIOBase):
    """What comes over a stream. While the line rests nothing is waited for."""

    def __init__(self, stream: httpcore.NetworkStream) -> None:
        super().__init__()
        self._stream = stream
        self.timeout: float | None = None
        self.rests = False

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int | None:
        if self.rests:
            return None
        read = self._stream.read(len(buffer), self.timeout)
        buffer[: len(read)] = read
        return len(read)


class _Kept(io.BufferedReader):
    """Stays open when an answer has been read, for the next."""

    def close(self) -> None:
        """The line is closed elsewhere."""


class _Line:
    """One connection."""

    def __init__(self, stream: httpcore.NetworkStream) -> None:
        self._stream = stream
        self._heard = _Heard(stream)
        self._reader = _Kept(self._heard, PIECE)
        self._used_at = time.monotonic()

    def makefile(self, _mode: str) -> io.BufferedReader:
        """What http.client reads from."""
        return self._reader

    def ask(self, request: httpx.Request, timeout: dict[str, float | None]) -> http.client.HTTPResponse:
        """Send a request and read the head of its answer. Raises exceptions of httpcore."""
        self._heard.rests = False
        self._heard.timeout = timeout["read"]
        # Who refuses a request may answer before all of it is read, and close: the answer counts.
        with suppress(httpcore.WriteError):
            self._stream.write(_as_bytes(request), timeout["write"])
        for _ in range(INTERIM_MAX):
            answer = http.client.HTTPResponse(self, method=request.method)  # type: ignore[arg-type]
            answer.begin()
            if answer.status >= httpx.codes.OK:
                return answer
        message = "too many interim answers"
        raise httpcore.RemoteProtocolError(message)

    def rest(self) -> bool:
        """Whether it can be used again: all of the answer was read, and nothing lies behind it."""
        self._heard.rests = True
        self._used_at = time.monotonic()
        return not self._reader.peek()

    def is_fresh(self) -> bool:
        """Whether the other end has most likely not closed it, and has said nothing unasked."""
        rested_s = time.monotonic() - self._used_at
        return rested_s < KEPT_FOR_S and not self._stream.get_extra_info("is_readable")

    def close(self) -> None:
        """Close the connection."""
        self._stream.close()


class _Body(httpx.SyncByteStream):
    """The body of an answer as it comes; its line is free again once it is closed."""

    def __init__(self, lines: BoundedTransport, line: _Line, answer: http.client.HTTPResponse) -> None:
        self._lines = lines
        self._line = line
        self._answer = answer
        self._open = True
        self._whole = False

    def __iter__(self) -> Iterator[bytes]:
        while piece := _told(lambda: self._answer.read(PIECE)):
            yield piece
        if self._answer.length:
            message = f"the answer ends {self._answer.length} bytes too early"
            raise httpcore.RemoteProtocolError(message)
        self._whole = True

    def close(self) -> None:
        if self._open:
            self._open = False
            self._lines.give_back(self._line, again=self._whole and not self._answer.will_close)


class BoundedTransport(httpx.BaseTransport):
    """The transport of one gateway's client, for many threads. Faults reach the caller as httpcore's exceptions."""

    def __init__(self, backend: BoundedBackend, deadline: Deadline, *, connections_max: int) -> None:
        self._backend = backend
        self._deadline = deadline
        self._free = threading.BoundedSemaphore(connections_max)
        self._idle: deque[_Line] = deque()
        self._tls = tls_context()
        self._tls.set_alpn_protocols(["http/1.1"])

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """Send one request. Raises exceptions of httpcore."""
        timeout = request.extensions["timeout"]
        if not self._free.acquire(timeout=self._deadline.left(timeout["pool"], httpcore.PoolTimeout)):
            message = "all connections are in use"
            raise httpcore.PoolTimeout(message)
        line: _Line | None = None
        try:
            line = self._line_to(request.url, timeout["connect"])
            answer = _told(partial(line.ask, request, timeout))
            return httpx.Response(answer.status, headers=_as_read(answer), stream=_Body(self, line, answer))
        except BaseException:
            self._let_go(line)
            raise

    def give_back(self, line: _Line, *, again: bool) -> None:
        """A line is free. `again`: its answer was read as a whole, and the other end keeps it open."""
        if again and line.rest():
            self._idle.append(line)
            self._free.release()
        else:
            self._let_go(line)

    def close(self) -> None:
        """Close every connection that rests."""
        while self._idle:
            self._idle.pop().close()

    def _let_go(self, line: _Line | None) -> None:
        try:
            if line is not None:
                line.close()
        finally:
            self._free.release()

    def _line_to(self, url: httpx.URL, connect_s: float | None) -> _Line:
        while self._idle:
            try:
                line = self._idle.pop()  # the one that rested least
            except IndexError:
                break  # another thread was first
            if line.is_fresh():
                return line
            line.close()
        return self._connect(url, connect_s)

    def _connect(self, url: httpx.URL, connect_s: float | None) -> _Line:
        safe = url.scheme == "https"
        host = url.raw_host.decode("ascii")
        stream = self._backend.connect_tcp(host, url.port or (443 if safe else 80), connect_s)
        if safe:
            try:
                stream = stream.start_tls(self._tls, host, connect_s)
            except BaseException:
                stream.close()
                raise
        return _Line(stream)


def _as_bytes(request: httpx.Request) -> bytes:
    """The request as it goes over the wire. Raises httpcore.LocalProtocolError for a line break within a line."""
    lines = [b"%s %s HTTP/1.1" % (request.method.encode("ascii"), request.url.raw_path)]
    lines += [b"%s: %s" % header for header in request.headers.raw]
    head = b"\r\n".join(lines)
    if head.count(b"\n") != len(lines) - 1 or head.count(b"\r") != len(lines) - 1:
        message = "a header has a line break"
        raise httpcore.LocalProtocolError(message)
    return b"%s\r\n\r\n%s" % (head, request.read())


def _as_read(answer: http.client.HTTPResponse) -> list[tuple[bytes, bytes]]:
    """The headers as they came over the wire: httpx takes them as text only in ASCII."""
    return [(name.encode("iso-8859-1"), value.encode("iso-8859-1")) for name, value in answer.getheaders()]


def _told(read: Callable[[], T]) -> T:
    """What is read of an answer, with the faults of http.client told as httpcore's."""
    try:
        return read()
    except (http.client.HTTPException, ValueError) as fault:
        raise httpcore.RemoteProtocolError(f"{type(fault).__name__}: {fault}") from fault
