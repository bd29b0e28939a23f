"""The lines to a gateway: kept, used again, never mixed up; whatever an answer looks like, its own request gets it."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field

import httpcore
import httpx
import pytest

from service.gateways.exchange import Exchange, Limits
from service.gateways.lines import HEAD_MAX, _Answer
from service.operations.gateway import Accepted, Blame, Outcome, Refused, Unknown

PLAIN = b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok"
QUICK = Limits(connect_s=1.0, write_s=1.0, read_s=1.0, pool_s=0.3, total_s=2.0, connections_max=2)


@dataclass
class Script:
    """Answers each request with the next of `answers`; None closes the connection instead."""

    listening: socket.socket
    answers: list[bytes | None]
    requests: list[bytes] = field(default_factory=list)
    connections: int = 0
    pause: threading.Event = field(default_factory=threading.Event)

    @property
    def url(self) -> str:
        """Where it listens."""
        return f"http://127.0.0.1:{self.listening.getsockname()[1]}"

    def serve(self) -> None:
        """Until the socket is closed."""
        while True:
            try:
                connection, _ = self.listening.accept()
            except OSError:
                return
            self.connections += 1
            threading.Thread(target=self._talk, args=(connection,), daemon=True).start()

    def _talk(self, connection: socket.socket) -> None:
        with connection, suppress(ConnectionError):  # who has read enough does not wait for the rest
            while True:
                request = connection.recv(65536)
                if not request:
                    return
                self.requests.append(request)
                self.pause.wait(5)
                answer = self.answers.pop(0)
                if answer is None:
                    return
                connection.sendall(answer)
                if b"Connection: close" in answer:
                    return


@contextmanager
def scripted(*answers: bytes | None) -> Iterator[tuple[Script, Exchange]]:
    """A server with a script, and an exchange with it."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        script = Script(listening, list(answers))
        script.pause.set()
        threading.Thread(target=script.serve, daemon=True).start()
        exchange = Exchange(script.url, allow_private=False, limits=QUICK)
        try:
            yield script, exchange
        finally:
            exchange.close()
            listening.shutdown(socket.SHUT_RDWR)


def ask(exchange: Exchange, script: Script, **content: object) -> httpx.Request:
    """A request to it."""
    return exchange.request("POST", f"{script.url}/texts", **(content or {"data": {"Body": "out"}}))


def outcome(exchange: Exchange, script: Script) -> Outcome:
    """What became of a message."""
    return exchange.hand_over("shore", lambda: ask(exchange, script), lambda _, answer: Accepted(answer.body.decode()))


def test_one_line_serves_one_request_after_the_other() -> None:
    """A connection costs more than a message."""
    with scripted(PLAIN, PLAIN, PLAIN) as (script, exchange):
        bodies = [exchange.answer(ask(exchange, script)).body for _ in range(3)]

        assert bodies == [b"ok"] * 3
        assert script.connections == 1


def test_a_request_goes_out_as_it_was_built() -> None:
    """First line, host, length, body."""
    with scripted(PLAIN) as (script, exchange):
        exchange.answer(ask(exchange, script))

        head, _, body = script.requests[0].partition(b"\r\n\r\n")
        lines = head.split(b"\r\n")
        assert lines[0] == b"POST /texts HTTP/1.1"
        assert f"Host: {script.url.removeprefix('http://')}".encode() in lines
        assert b"Content-Length: 8" in lines
        assert b"User-Agent: linetender" in lines
        assert body == b"Body=out"


@pytest.mark.parametrize(
    ("answer", "body"),
    [
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n2\r\nok\r\n3\r\n, 3\r\n0\r\n\r\n", b"ok, 3"),
        (b"HTTP/1.1 100 Continue\r\n\r\n" + PLAIN, b"ok"),
        (b"HTTP/1.1 103 Early Hints\r\nLink: </a>\r\n\r\n" + PLAIN, b"ok"),
        (b"HTTP/1.0 200 OK\r\nConnection: close\r\n\r\nto the end", b"to the end"),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: identity\r\nConnection: close\r\n\r\nto the end", b"to the end"),
        (b"HTTP/1.1 204 No Content\r\n\r\n", b""),
        (b"HTTP/1.1 200 OK\nContent-Length: 2\n\nok", b"ok"),
        (b"HTTP/1.1 200\r\nContent-Length: 2\r\n\r\nok", b"ok"),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n2 \r\nok0\r\n\r\n", b"ok"),
        (b"HTTP/1.1 200 OK\r\nTransfer-Encoding: chunked\r\n\r\n2;n=v\r\nok\r\n0\r\nX-Sum: 1\r\n\r\n", b"ok"),
    ],
    ids=[
        "in chunks",
        "100",
        "103",
        "to the end",
        "to the end as it is",
        "without a body",
        "line feeds alone",
        "without a reason",
        "loose chunks",
        "with fields behind",
    ],
)
def test_every_form_of_answer_is_read_as_a_whole(answer: bytes, body: bytes) -> None:
    """And the next request gets its own."""
    with scripted(answer, PLAIN) as (script, exchange):
        first = exchange.answer(ask(exchange, script))
        second = exchange.answer(ask(exchange, script))

    assert (first.body, first.fault) == (body, None)
    assert (second.status, second.body) == (200, b"ok")


def test_what_lies_behind_an_answer_is_never_taken_for_the_next() -> None:
    """A gateway that says too much loses its line, and no message is believed to be another."""
    with scripted(PLAIN + PLAIN.replace(b"ok", b"no"), PLAIN) as (script, exchange):
        bodies = [exchange.answer(ask(exchange, script)).body for _ in range(2)]

        assert bodies == [b"ok", b"ok"]
        assert script.connections == 2


def test_an_answer_that_comes_byte_by_byte_is_the_same() -> None:
    """However it is cut, it is read to its end and no further."""
    answer = b"HTTP/1.1 100 Continue\r\n\r\nHTTP/1.1 202 Accepted\r\nX-A: b\r\nContent-Length: 3\r\n\r\nyes"
    heard = _Answer()
    for place in range(len(answer)):
        assert not heard.is_whole
        heard.hear(answer[place : place + 1])

    assert (heard.status, heard.headers[0], b"".join(heard.pieces)) == (202, (b"X-A", b"b"), b"yes")
    assert heard.is_whole
    assert heard.is_alone


def test_a_head_without_end_is_given_up() -> None:
    """Nobody's memory is filled by headers; whether the text was taken is not known then."""
    endless = b"HTTP/1.1 200 OK\r\n" + b"X-More: " + b"a" * (2 * HEAD_MAX) + b"\r\n\r\n"
    with scripted(endless) as (script, exchange), pytest.raises(httpcore.RemoteProtocolError, match="head is longer"):
        exchange.answer(ask(exchange, script))


def test_a_line_that_the_other_end_closed_is_not_used() -> None:
    """Nothing is written into it, so that no message is in doubt."""
    closing = b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\n\r\nok"
    with scripted(closing, PLAIN) as (script, exchange):
        exchange.answer(ask(exchange, script))
        line = exchange._transport._idle[0]
        line._stream.get_extra_info("socket").shutdown(socket.SHUT_RD)

        assert exchange.answer(ask(exchange, script)).body == b"ok"
        assert script.connections == 2


@pytest.mark.parametrize(
    "rest",
    [
        b"Content-Length: 20\r\nConnection: close\r\n\r\nhalf",
        b"Transfer-Encoding: chunked\r\nConnection: close\r\n\r\n5\r\nhalf",
        b"Transfer-Encoding: chunked\r\n\r\nno length\r\n",
        b"Content-Length: some\r\n\r\nwords",
        b"Content-Length: 2\r\nContent-Length: 2\r\n\r\nok",
        b"Transfer-Encoding: chunked\r\n\r\n2\r\nok\r\n0\r\n" + b"X-More: " + b"a" * (2 * HEAD_MAX),
    ],
    ids=["half", "half a chunk", "no chunks at all", "no number", "two lengths", "endless fields behind"],
)
def test_an_answer_that_ends_too_early_keeps_its_status(rest: bytes) -> None:
    """The gateway has taken the message; only its words are lost."""
    with scripted(b"HTTP/1.1 201 Created\r\n" + rest) as (script, exchange):
        answer = exchange.answer(ask(exchange, script))

    assert (answer.status, answer.fault) == (201, "the answer broke off: RemoteProtocolError")


@pytest.mark.parametrize(
    "answer",
    [
        None,
        b"no http at all\r\n\r\n",
        b"HTTP/1.1 103 Early Hints\r\n\r\n" * 10,
        b"HTTP/1.1 101 Switching\r\nConnection: upgrade\r\nUpgrade: x\r\n\r\n",
    ],
    ids=["hung up", "not http", "interim answers for ever", "another protocol"],
)
def test_without_an_answer_it_is_unknown_what_became_of_a_message(answer: bytes | None) -> None:
    """It left, so it may have been taken."""
    with scripted(answer) as (script, exchange):
        assert isinstance(outcome(exchange, script), Unknown)


def test_who_finds_no_free_line_has_sent_nothing() -> None:
    """Two are hanging in an answer; the third is refused for now and goes again at once."""
    with scripted(PLAIN, PLAIN, PLAIN) as (script, exchange):
        script.pause.clear()
        busy = [threading.Thread(target=outcome, args=(exchange, script)) for _ in range(2)]
        for thread in busy:
            thread.start()
        while len(script.requests) < 2:
            threading.Event().wait(0.01)

        third = outcome(exchange, script)
        script.pause.set()
        for thread in busy:
            thread.join()

        assert third == Refused(Blame.TRANSIENT, "PoolTimeout", "PoolTimeout: all connections are in use")
        assert outcome(exchange, script) == Accepted("ok")


def test_a_header_with_a_line_break_does_not_go_out() -> None:
    """It would be a second header, or a second request."""
    with scripted(PLAIN) as (script, exchange):
        request = ask(exchange, script)
        request.headers["X-Note"] = "one\r\nX-Other: two"

        with pytest.raises(httpcore.LocalProtocolError):
            exchange.answer(request)

    assert script.requests == []


def test_a_header_in_other_letters_costs_neither_the_answer_nor_its_line() -> None:
    """Else what was taken would be sent over and over, and after a few answers nothing could be sent at all."""
    answer = b"HTTP/1.1 200 OK\r\nContent-Length: 2\r\nX-Said: r\xe9ussi \xe2\x9c\x93\r\n\r\nok"
    with scripted(*[answer] * 4) as (script, exchange):
        outcomes = [outcome(exchange, script) for _ in range(4)]

    assert outcomes == [Accepted("ok")] * 4
    assert script.connections == 1


def test_an_answer_that_is_closed_twice_gives_its_line_back_once() -> None:
    """Else two requests could share a line, and one would get the other's answer."""
    with scripted(PLAIN, PLAIN, PLAIN) as (script, exchange):
        response = exchange._transport.handle_request(ask(exchange, script))
        response.read()
        assert isinstance(response.stream, httpx.SyncByteStream)
        response.stream.close()

        assert [exchange.answer(ask(exchange, script)).body for _ in range(2)] == [b"ok"] * 2
        assert script.connections == 1


def test_a_line_that_another_thread_took_first_is_made_anew() -> None:
    """Between a look and the taking somebody may have been quicker."""
    with scripted(PLAIN) as (script, exchange):
        assert exchange._transport._rested() is None
        assert exchange.answer(ask(exchange, script)).body == b"ok"
