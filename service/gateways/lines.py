"""The lines to one gateway: connections that are kept alive and used again, for requests of httpx.

httpx's own client and transport spend more on their bookkeeping than a message costs us in all; here a request is one
write. A plain answer is read as it lies there, and every other by the standard library. Names, addresses, TLS and time
are `service.gateways.connections`'s.
"""

from __future__ import annotations

import http.client
import io
import re
import threading
import time
from collections import deque
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from typing import Any, Final, TypeVar

import httpcore
import httpx

from service.gateways.answers import Answer
from service.gateways.connections import BoundedBackend, Deadline, tls_context

# Short, so that we rarely write into a connection which the other end is just closing.
KEPT_FOR_S: Final = 5.0
PIECE: Final = 16 * 1024
INTERIM_MAX: Final = 10  # answers 1xx before the real one
NO_BODY: Final = (204, 304)

T = TypeVar("T")

# A head in its plainest form: no line is folded, nothing stands between a name and its colon (RFC 9112 section 5).
_HEADER: Final = rb"[!#$%&'*+.^_`|~0-9A-Za-z-]+:[^\r\n\0]*\r\n"
_PLAIN = re.compile(rb"HTTP/1\.1 ([2-5][0-9]{2})(?: [^\r\n\0]*)?\r\n((?:" + _HEADER + rb")*)\r\n")
_LENGTH = re.compile(r"[0-9]{1,9}")


@dataclass(frozen=True, slots=True)
class Bounds:
    """How long each phase of an exchange may take, in seconds, and how many bytes of answer are read."""

    connect_s: float
    write_s: float
    read_s: float
    pool_s: float
    bytes_max: int


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

    def ask(self, request: httpx.Request, bounds: Bounds) -> tuple[Answer, bool]:
        """Send a request and read its answer; whether the line may be used again. Raises exceptions of httpcore.

        Once the status is known, a fault is part of the answer: it must not lose that.
        """
        self._heard.rests = False
        self._heard.timeout = bounds.read_s
        # Who refuses a request may answer before all of it is read, and close: the answer counts.
        with suppress(httpcore.WriteError):
            self._stream.write(_as_bytes(request), bounds.write_s)
        plain = self._plain(bounds.bytes_max)
        if plain is not None:
            return plain
        for _ in range(INTERIM_MAX):
            head = http.client.HTTPResponse(self, method=request.method)  # type: ignore[arg-type]
            _told(head.begin)
            if head.status >= httpx.codes.OK:
                body, fault = _read(head, bounds.bytes_max)
                return _answer(head.status, body, head.getheader, fault), fault is None and not head.will_close
        message = "too many interim answers"
        raise httpcore.RemoteProtocolError(message)

    def _plain(self, bytes_max: int) -> tuple[Answer, bool] | None:
        """The answer where its head came at once, in its plainest form, and says how long it is; None: not read yet."""
        head = _PLAIN.match(_told(partial(self._reader.peek, 1)))
        if head is None or int(head[1]) in NO_BODY:
            return None
        lines = head[2].decode("iso-8859-1").split("\r\n")[:-1]
        named = [(name.lower(), value.strip(" \t")) for name, _, value in (line.partition(":") for line in lines)]
        headers = dict(named)
        length = headers.get("content-length", "")
        twice = len(headers) < len(named)
        if twice or "transfer-encoding" in headers or headers.get("connection", "keep-alive").lower() != "keep-alive":
            return None
        if _LENGTH.fullmatch(length) is None or int(length) > bytes_max:
            return None
        self._reader.read(head.end())
        body, fault = b"", None
        try:
            body = self._reader.read(int(length))
        except Exception as error:  # noqa: BLE001 - the outcome follows from the status
            fault = _broke_off(error)
        if fault is None and len(body) < int(length):
            body, fault = b"", _broke_off(httpcore.RemoteProtocolError())
        return _answer(int(head[1]), body, lambda name: headers.get(name.lower()), fault), fault is None

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


class Lines:
    """The connections to one gateway, for many threads. Faults reach the caller as httpcore's exceptions."""

    def __init__(self, backend: BoundedBackend, deadline: Deadline, *, connections_max: int) -> None:
        self._backend = backend
        self._deadline = deadline
        self._free = threading.BoundedSemaphore(connections_max)
        self._idle: deque[_Line] = deque()
        self._closed = False
        self._tls = tls_context()
        self._tls.set_alpn_protocols(["http/1.1"])

    def answer(self, request: httpx.Request, bounds: Bounds) -> Answer:
        """Send one request and read its answer. Raises exceptions of httpcore."""
        if self._closed:
            message = "this gateway is closed"
            raise httpcore.ConnectionNotAvailable(message)
        if not self._free.acquire(timeout=self._deadline.left(bounds.pool_s, httpcore.PoolTimeout)):
            message = "all connections are in use"
            raise httpcore.PoolTimeout(message)
        line: _Line | None = None
        again = False
        try:
            line = self._line_to(request.url, bounds.connect_s)
            answer, again = line.ask(request, bounds)
            return answer
        finally:
            self._give_back(line, again=again)

    def close(self) -> None:
        """Close every connection that rests. Nothing can be asked any more."""
        self._closed = True
        while self._idle:
            self._idle.pop().close()

    def _give_back(self, line: _Line | None, *, again: bool) -> None:
        """A line is free. `again`: its answer was read as a whole, and the other end keeps it open."""
        try:
            if line is not None and again and line.rest():
                self._idle.append(line)
            elif line is not None:
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


def _answer(status: int, body: bytes, header: Callable[[str], str | None], fault: str | None) -> Answer:
    return Answer(status, body, retry_after=header("Retry-After"), date=header("Date"), fault=fault)


def _read(answer: http.client.HTTPResponse, bytes_max: int) -> tuple[bytes, str | None]:
    """The body up to its limit, or why it is not whole."""
    body = bytearray()
    try:
        while piece := _told(lambda: answer.read(PIECE)):
            body += piece
            if len(body) > bytes_max:
                return b"", f"the answer is longer than {bytes_max} bytes"
    except Exception as error:  # noqa: BLE001 - the outcome follows from the status
        return b"", _broke_off(error)
    if answer.length:
        return b"", _broke_off(httpcore.RemoteProtocolError())
    return bytes(body), None


def _broke_off(error: Exception) -> str:
    return f"the answer broke off: {type(error).__name__}"


def _told(read: Callable[[], T]) -> T:
    """What is read of an answer, with the faults of http.client told as httpcore's."""
    try:
        return read()
    except (http.client.HTTPException, ValueError) as fault:
        raise httpcore.RemoteProtocolError(f"{type(fault).__name__}: {fault}") from fault
