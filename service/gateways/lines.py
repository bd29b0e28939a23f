"""The lines to one gateway: connections that are kept alive and used again, for requests of httpx.

httpx's own transport spends more on its bookkeeping than a message costs us in all; here a request is one write, and
its answer is read by httptools, which is C. Names, addresses, TLS and time are `service.gateways.connections`'s.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from collections.abc import Iterator
from contextlib import suppress
from typing import Final

import httpcore
import httptools
import httpx

from service.gateways.connections import BoundedBackend, Deadline, tls_context

# Short, so that we rarely write into a connection which the other end is just closing.
KEPT_FOR_S: Final = 5.0
PIECE: Final = 16 * 1024
STATUS_FROM, STATUS_TO = 200, 600  # RFC 9110 section 15; below are interim answers
HEAD_MAX: Final = 64 * 1024  # bytes, with all interim answers (1xx) before the real one


class _Answer:
    """One answer as it is read. Its `on_` methods are what httptools calls."""

    def __init__(self) -> None:
        self.status = 0
        self.headers: list[tuple[bytes, bytes]] = []
        self.pieces: deque[bytes] = deque()  # of the body: read, and not yet taken
        self.has_head = False
        self.is_whole = False
        self.is_alone = True  # nothing lies behind it
        self.is_last = False  # the other end closes the connection after it
        self.fault: httpcore.RemoteProtocolError | None = None  # in the body
        self._parser = httptools.HttpResponseParser(self)
        # Whoever writes HTTP loosely has taken the text all the same, and what it says of it must not be lost. That is
        # dangerous only where somebody else's answer may follow, and such a line is not used again.
        self._parser.set_dangerous_leniencies(
            lenient_headers=True,
            lenient_chunked_length=True,
            lenient_transfer_encoding=True,
            lenient_data_after_close=True,
            lenient_optional_lf_after_cr=True,
            lenient_optional_cr_before_lf=True,
            lenient_optional_crlf_after_chunk=True,
            lenient_spaces_after_chunk_size=True,
        )

    def hear(self, read: bytes) -> None:
        """Go on with what was read from the connection.

        Raises httpcore.RemoteProtocolError where no status could be read. Behind it a fault is kept: the status counts.
        """
        try:
            self._parser.feed_data(read)
        except (httptools.HttpParserError, httptools.HttpParserUpgrade) as cause:
            self.is_alone = False
            fault = httpcore.RemoteProtocolError(f"{type(cause).__name__}: {cause}")
            if not self.has_head:
                self.status = self._parser.get_status_code()
                self.has_head = STATUS_FROM <= self.status < STATUS_TO
            if not self.has_head:
                raise fault from cause
            self.fault = None if self.is_whole else fault

    def end(self) -> None:
        """The other end has closed the connection. Raises httpcore.RemoteProtocolError if more was to come."""
        self.is_last = True
        named = {name.lower(): value.strip().lower() for name, value in self.headers}
        coded = named.get(b"transfer-encoding")
        # RFC 9112 section 6.3: without a length, and not in chunks, the body is what comes until then.
        more = b"content-length" in named if coded is None else coded.endswith(b"chunked")
        if not self.has_head or more:
            message = "the connection was closed before all of the answer had come"
            raise httpcore.RemoteProtocolError(message)
        self.is_whole = True

    def on_message_begin(self) -> None:
        """This one begins, or another one behind it."""
        self.is_alone = not self.is_whole

    def on_header(self, name: bytes, value: bytes) -> None:
        """A header, or a field behind the body."""
        if not self.has_head:
            self.headers.append((name, value))

    def on_headers_complete(self) -> None:
        """The body follows, or the real answer after an interim one."""
        if self.is_whole:
            return
        self.status = self._parser.get_status_code()
        self.has_head = self.status >= STATUS_FROM

    def on_body(self, piece: bytes) -> None:
        """A part of the body."""
        if not self.is_whole:
            self.pieces.append(piece)

    def on_message_complete(self) -> None:
        """All of it has been read."""
        if self.has_head:
            self.is_whole = True
            self.is_last = self.is_last or not self._parser.should_keep_alive()
        else:
            self.headers.clear()  # an interim one's


class _Line:
    """One connection."""

    def __init__(self, stream: httpcore.NetworkStream) -> None:
        self._stream = stream
        self._used_at = time.monotonic()

    def ask(self, request: httpx.Request, timeout: dict[str, float | None]) -> _Answer:
        """Send a request and read the head of its answer. Raises exceptions of httpcore."""
        # Who refuses a request may answer before all of it is read, and close: the answer counts.
        with suppress(httpcore.WriteError):
            self._stream.write(_as_bytes(request), timeout["write"])
        answer = _Answer()
        heard = 0
        while not answer.has_head:
            heard += self.hear(answer, timeout["read"])
            if heard > HEAD_MAX and not answer.has_head:
                message = f"the answer's head is longer than {HEAD_MAX} bytes"
                raise httpcore.RemoteProtocolError(message)
        return answer

    def hear(self, answer: _Answer, timeout: float | None) -> int:
        """Read on; how many bytes that were. Raises exceptions of httpcore."""
        read = self._stream.read(PIECE, timeout)
        if read:
            answer.hear(read)
        else:
            answer.end()
        return len(read)

    def rest(self) -> None:
        """It is not needed for now."""
        self._used_at = time.monotonic()

    def is_fresh(self) -> bool:
        """Whether the other end has most likely not closed it, and has said nothing unasked."""
        rested_s = time.monotonic() - self._used_at
        return rested_s < KEPT_FOR_S and not self._stream.get_extra_info("is_readable")

    def close(self) -> None:
        """Close the connection."""
        self._stream.close()


class _Body(httpx.SyncByteStream):
    """The body of an answer as it comes; its line is free again once it is closed."""

    def __init__(self, lines: BoundedTransport, line: _Line, answer: _Answer, read_s: float | None) -> None:
        self._lines = lines
        self._line = line
        self._answer = answer
        self._read_s = read_s
        self._open = True

    def __iter__(self) -> Iterator[bytes]:
        silent = 0  # bytes that are none of the body: fields behind it, sizes of chunks
        while silent <= HEAD_MAX:
            while self._answer.pieces:
                silent = 0
                yield self._answer.pieces.popleft()
            if self._answer.is_whole:
                return
            if self._answer.fault is not None:
                raise self._answer.fault
            silent += self._line.hear(self._answer, self._read_s)
        message = f"more than {HEAD_MAX} bytes are no part of the body"
        raise httpcore.RemoteProtocolError(message)

    def close(self) -> None:
        if self._open:
            self._open = False
            answer = self._answer
            again = answer.is_whole and answer.is_alone and not answer.is_last and not answer.pieces
            self._lines.give_back(self._line, again=again)


class BoundedTransport(httpx.BaseTransport):
    """The transport of one gateway's client, for many threads. Faults reach the caller as httpcore's exceptions."""

    def __init__(self, backend: BoundedBackend, deadline: Deadline, *, connections_max: int) -> None:
        self._backend = backend
        self._deadline = deadline
        self._free = threading.BoundedSemaphore(connections_max)
        self._idle: deque[_Line] = deque()
        self._is_open = True
        self._tls = tls_context()
        self._tls.set_alpn_protocols(["http/1.1"])

    def handle_request(self, request: httpx.Request) -> httpx.Response:
        """Send one request. Raises exceptions of httpcore."""
        if not self._is_open:
            message = "these lines are closed"
            raise httpcore.ConnectionNotAvailable(message)
        timeout = request.extensions["timeout"]
        if not self._free.acquire(timeout=self._deadline.left(timeout["pool"], httpcore.PoolTimeout)):
            message = "all connections are in use"
            raise httpcore.PoolTimeout(message)
        line: _Line | None = None
        try:
            line = self._line_to(request.url, timeout["connect"])
            answer = line.ask(request, timeout)
            body = _Body(self, line, answer, timeout["read"])
            return httpx.Response(answer.status, headers=answer.headers, stream=body)
        except BaseException:
            self._let_go(line)
            raise

    def give_back(self, line: _Line, *, again: bool) -> None:
        """A line is free. `again`: its answer was read as a whole, and the other end keeps it open."""
        if again and self._is_open:
            line.rest()
            self._idle.append(line)
            self._free.release()
        else:
            self._let_go(line)

    def close(self) -> None:
        """Close every connection that rests, and open none any more."""
        self._is_open = False
        while self._idle:
            self._idle.pop().close()

    def _let_go(self, line: _Line | None) -> None:
        try:
            if line is not None:
                line.close()
        finally:
            self._free.release()

    def _line_to(self, url: httpx.URL, connect_s: float | None) -> _Line:
        while (line := self._rested()) is not None:
            if line.is_fresh():
                return line
            line.close()
        return self._connect(url, connect_s)

    def _rested(self) -> _Line | None:
        """The one that rested least, which other threads take from too; None when none is left."""
        try:
            return self._idle.pop()
        except IndexError:
            return None

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
