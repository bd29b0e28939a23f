"""Making the line to a mail server safe by STARTTLS (RFC 3207): how long it may take, and what is heeded after it."""

from __future__ import annotations

import contextlib
import smtplib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import BinaryIO

import pytest
import trustme

from service.gateways import smtp
from service.gateways.smtp import Security, SmtpGateway, _Line
from service.operations.gateway import Accepted, Blame, Refused
from tests.fakes.mail_server import MailServer
from tests.gateways.test_smtp import client_tls, server_tls
from tests.gateways.test_smtp_time import ALERT, AMPLE, config

OFFER = b"250-mail\r\n250 STARTTLS\r\n"
GO_AHEAD = b"220 go ahead\r\n"

Part = Callable[[socket.socket, BinaryIO], None]


@contextmanager
def server_that_offers_starttls(then: Part) -> Iterator[int]:
    """A server that comes as far as our STARTTLS, and plays `then` with its socket and what it reads."""

    def serve() -> None:
        with contextlib.suppress(OSError), listener.accept()[0] as peer, peer.makefile("rb") as words:
            for reply in (b"220 mail\r\n", OFFER):
                peer.sendall(reply)
                words.readline()
            then(peer, words)

    with socket.create_server(("127.0.0.1", 0)) as listener:
        server = threading.Thread(target=serve, daemon=True)
        server.start()
        yield listener.getsockname()[1]
        server.join(timeout=AMPLE.silence_s)


@pytest.mark.parametrize("drip", [b"", b"\0"])
def test_a_server_that_never_ends_the_handshake_is_left_when_the_time_is_over(
    drip: bytes, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Not only when the silence has been too long: that begins anew with the handshake."""
    shaking, left = threading.Event(), threading.Event()

    class Timer(threading.Timer):
        def run(self) -> None:
            if shaking.wait(AMPLE.total_s):
                self.function()

    def never_end(peer: socket.socket, words: BinaryIO) -> None:
        peer.sendall(GO_AHEAD)
        words.read(1)
        shaking.set()
        if drip:
            peer.sendall(b"\x16\x03\x03\x40\x00")  # a record of TLS that is long in coming
        while not left.wait(0.01):
            peer.sendall(drip)

    monkeypatch.setattr(smtp.threading, "Timer", Timer)
    with server_that_offers_starttls(never_end) as port:
        began = time.monotonic()
        outcome = SmtpGateway(config(port, security=Security.STARTTLS), limits=AMPLE).send(ALERT)
        took_s = time.monotonic() - began
        left.set()

    assert shaking.is_set()
    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.TRANSIENT
    assert took_s < AMPLE.silence_s / 2


def test_a_line_made_safe_too_late_is_left(monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever came to end it just before the handshake found a socket that was none any more."""

    def slowly(line: _Line, cmd: str, args: str = "") -> tuple[int, bytes]:
        answer = smtplib.SMTP.docmd(line, cmd, args)
        if cmd == "STARTTLS":
            line._ends_at = time.monotonic()
        return answer

    monkeypatch.setattr(_Line, "docmd", slowly)
    authority = trustme.CA()
    authority_tls = server_tls(authority, "127.0.0.1")
    with MailServer(tls=authority_tls, starttls=True) as server:
        safe = config(server.port, security=Security.STARTTLS)
        outcome = SmtpGateway(safe, limits=AMPLE, tls=client_tls(authority)).send(ALERT)

    assert isinstance(outcome, Refused)
    assert outcome.code == "TimeoutError"
    assert server.taken == []


def test_a_server_where_nobody_signs_in_is_greeted_again_once_it_is_safe() -> None:
    """RFC 3207 4.2: it has forgotten who we are, and would refuse every e-mail."""
    authority = trustme.CA()
    with MailServer(tls=server_tls(authority, "127.0.0.1"), starttls=True) as server:
        safe = config(server.port, security=Security.STARTTLS)
        outcome = SmtpGateway(safe, limits=AMPLE, tls=client_tls(authority)).send(ALERT)

    assert isinstance(outcome, Accepted)
    assert len(server.taken) == 1


def test_a_server_that_cannot_make_it_safe_now_is_told_nothing() -> None:
    """RFC 3207 4: its answer may be 454. The line stays in clear then, so nothing goes over it."""
    heard: list[bytes] = []

    def decline(peer: socket.socket, words: BinaryIO) -> None:
        peer.sendall(b"454 4.7.0 TLS not available\r\n")
        heard.extend(words)

    with server_that_offers_starttls(decline) as port:
        outcome = SmtpGateway(config(port, security=Security.STARTTLS), limits=AMPLE).send(ALERT)

    assert isinstance(outcome, Refused)
    assert outcome.code == "4.7.0"
    assert heard == []


def test_what_came_in_clear_behind_the_answer_is_not_taken_for_words_of_the_safe_line() -> None:
    """RFC 3207 4.2 and 6: somebody between us and the server may have put it there."""
    authority = trustme.CA()
    safe_side = server_tls(authority, "127.0.0.1")

    def put_in(peer: socket.socket, _: BinaryIO) -> None:
        peer.sendall(GO_AHEAD + b"250 put in\r\n" * 3)
        with safe_side.wrap_socket(peer, server_side=True) as safe, safe.makefile("rb") as safe_words:
            for command in safe_words:
                safe.sendall(b"250 mail\r\n" if command.startswith(b"ehlo") else b"451 4.3.0 busy\r\n")

    with server_that_offers_starttls(put_in) as port:
        gateway = SmtpGateway(config(port, security=Security.STARTTLS), limits=AMPLE, tls=client_tls(authority))
        outcome = gateway.send(ALERT)

    assert isinstance(outcome, Refused)
    assert outcome.code == "4.3.0"
