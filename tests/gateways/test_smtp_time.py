"""How long an e-mail may take, whatever a mail server or a look-up does, and faults that nobody thought of."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest

from service.gateways import smtp
from service.gateways.smtp import UNFORESEEN_FAULT, MailLimits, Security, SmtpConfig, SmtpGateway, _Line
from service.operations.gateway import Accepted, Blame, Outgoing, Refused, Unknown
from tests.fakes.mail_server import MailServer

ALERT = Outgoing(to="cleo@example.net", body="OVERDUE: Anna Holt.", reference="m1", subject="OVERDUE")
PATIENT = MailLimits(silence_s=30.0, total_s=0.2)
AMPLE = MailLimits(silence_s=5.0, total_s=20.0)


def config(port: int, **changes: object) -> SmtpConfig:
    """A mail server on this machine."""
    values: dict[str, object] = {"security": Security.NONE, "sender": "alerts@dives.example.org"} | changes
    return SmtpConfig(name="mail", host="127.0.0.1", port=port, **values)  # type: ignore[arg-type]


@contextmanager
def silent_server() -> Iterator[int]:
    """A server that takes the connection and never says a word."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        yield listener.getsockname()[1]


@pytest.mark.parametrize("security", [Security.TLS, Security.NONE])
def test_a_server_that_says_nothing_is_left_when_the_time_is_over(security: Security) -> None:
    """Also one that never ends the handshake of TLS: else all that came after it had no end."""
    with silent_server() as port:
        began = time.monotonic()
        outcome = SmtpGateway(config(port, security=security), limits=PATIENT).send(ALERT)

    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.TRANSIENT
    assert time.monotonic() - began < PATIENT.silence_s / 2


def test_what_a_look_up_takes_is_part_of_the_whole(monkeypatch: pytest.MonkeyPatch) -> None:
    """Else an e-mail could take twice as long as a message may."""
    waits: list[float] = []

    class Timer(threading.Timer):
        def __init__(self, interval: float, function: object) -> None:
            waits.append(interval)
            super().__init__(interval, function)  # type: ignore[arg-type]

    def slowly(_host: str, _port: int) -> list[str]:
        time.sleep(0.05)
        return ["127.0.0.1"]

    monkeypatch.setattr(smtp.threading, "Timer", Timer)
    with MailServer() as server:
        outcome = SmtpGateway(config(server.port), limits=AMPLE, resolve=slowly).send(ALERT)

    assert isinstance(outcome, Accepted)
    assert waits[0] <= AMPLE.total_s - 0.05


@pytest.mark.parametrize("late", [1.0, 0.0])
def test_nothing_is_begun_once_the_time_is_over(late: float) -> None:
    """Nor goes it on where it was over while connecting: whoever ends it may have come too early to find a line."""
    with silent_server() as port:
        line = _Line(config(port), ssl.create_default_context(), ["127.0.0.1"], time.monotonic() - late, 5.0)
        if not late:
            line._connected = lambda port, _: socket.create_connection(("127.0.0.1", port))  # type: ignore[method-assign]
        line.cut()  # there is no line yet

        with pytest.raises(TimeoutError, match="connecting took too long"):
            line.connect("127.0.0.1", port)
        line.close()


def test_an_address_that_does_not_answer_is_followed_by_the_next() -> None:
    """A name often has two, and one of them may lead nowhere."""
    with MailServer() as server:
        gateway = SmtpGateway(config(server.port), limits=AMPLE, resolve=lambda *_: ["127.0.0.9", "127.0.0.1"])

        assert isinstance(gateway.send(ALERT), Accepted)


@pytest.mark.parametrize("fault", [OSError("no such name"), UnicodeError("label too long")])
def test_a_name_that_cannot_be_looked_up_sends_nothing(fault: Exception) -> None:
    """It is tried again: names come back."""

    def fail(_host: str, _port: int) -> list[str]:
        raise fault

    outcome = SmtpGateway(config(25), limits=AMPLE, resolve=fail).send(ALERT)

    assert outcome == Refused(Blame.TRANSIENT, "OSError", f"OSError: {fault}")


def test_a_fault_of_our_own_before_the_words_sends_nothing_and_is_loud(caplog: pytest.LogCaptureFixture) -> None:
    """A password that the library cannot send, say."""
    with MailServer(sign_in=True) as server:
        gateway = SmtpGateway(config(server.port, user="me", password="g\u00e9heim"), limits=AMPLE)
        outcome = gateway.send(ALERT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.TRANSIENT, "UnicodeEncodeError")
    assert UNFORESEEN_FAULT in caplog.messages
    assert server.taken == []


def test_a_fault_of_our_own_after_the_words_is_unknown_and_loud(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """The server has the e-mail; to call it refused would be wrong."""

    def break_down(_: _Line) -> None:
        raise ValueError("a fault in the library")

    monkeypatch.setattr(_Line, "quit", break_down)
    with MailServer() as server:
        outcome = SmtpGateway(config(server.port), limits=AMPLE).send(ALERT)

    assert outcome == Unknown("ValueError after the e-mail was taken")
    assert UNFORESEEN_FAULT in caplog.messages
    assert len(server.taken) == 1


def test_no_receipt_is_to_be_expected_of_a_mail_server() -> None:
    """What it tells of failures goes to an address that nobody reads."""
    assert not SmtpGateway(config(25), wall=lambda: datetime(2027, 6, 1, tzinfo=UTC)).sends_receipts
