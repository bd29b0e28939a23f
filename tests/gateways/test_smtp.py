"""E-mails through a real SMTP server: what is taken, refused, or left unknown."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime

import pytest
import trustme

from service.domain.people import Channel
from service.gateways.smtp import UNKNOWN_REPLY, MailLimits, Security, SmtpConfig, SmtpGateway
from service.operations.gateway import Accepted, Blame, CannotTell, Outcome, Outgoing, Refused, Unknown
from tests.fakes.mail_server import CUT, CUT_AFTER, PASSWORD, USER, MailServer

CLEO = "cleo@example.net"
SENDER = "alerts@dives.example.org"
NOW = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
LIMITS = MailLimits(silence_s=0.4, total_s=0.9)
ALERT = Outgoing(
    to=CLEO,
    body="OVERDUE: Anna Holt + 1 (2 divers).\n\nCall 07700 900001.",
    reference="m1",
    channel=Channel.EMAIL,
    subject="OVERDUE: Anna Holt",
    thread="d1",
)


def gateway_to(
    port: int, *, host: str = "127.0.0.1", tls: ssl.SSLContext | None = None, **changes: object
) -> SmtpGateway:
    """Our side of a mail server on this machine."""
    values: dict[str, object] = {"security": Security.NONE, "sender": SENDER} | changes
    config = SmtpConfig(name="mail", host=host, port=port, **values)  # type: ignore[arg-type]
    return SmtpGateway(config, limits=LIMITS, tls=tls, wall=lambda: NOW)


@pytest.fixture
def server() -> Iterator[MailServer]:
    """A mail server that takes everything."""
    with MailServer() as running:
        yield running


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    """Who vouches for the certificates of these tests."""
    return trustme.CA()


def server_tls(authority: trustme.CA, name: str = "localhost") -> ssl.SSLContext:
    """The mail server's side of TLS, with a certificate for that name."""
    context = ssl.create_default_context(ssl.Purpose.CLIENT_AUTH)
    authority.issue_cert(name).configure_cert(context)
    return context


def client_tls(authority: trustme.CA) -> ssl.SSLContext:
    """Our side of TLS, which trusts the tests' authority."""
    context = ssl.create_default_context()
    authority.configure_trust(context)
    return context


def test_an_email_arrives_whole(server: MailServer) -> None:
    """Envelope, subject, both parts and the headers that a machine owes."""
    outcome = gateway_to(server.port).send(ALERT)

    (mailed,) = server.taken
    assert outcome == Accepted("m1@dives.example.org")
    assert (mailed.sender, mailed.to) == (SENDER, CLEO)
    assert mailed.message["Subject"] == "OVERDUE: Anna Holt"
    assert mailed.message["Auto-Submitted"] == "auto-generated"
    assert mailed.message["References"] == mailed.message["In-Reply-To"] == "<dive-d1@dives.example.org>"
    kinds = [part.get_content_type() for part in mailed.message.walk()]
    assert kinds == ["multipart/alternative", "text/plain", "text/html"]
    plain = mailed.message.get_body(("plain",))
    assert plain is not None
    assert plain.get_content().replace("\r\n", "\n").strip() == ALERT.body


@pytest.mark.parametrize(
    ("step", "reply", "blame", "code"),
    [
        ("rcpt", "550 5.1.1 no such mailbox", Blame.NUMBER, "5.1.1"),
        ("rcpt", "550 nobody here", Blame.NUMBER, "550"),
        ("rcpt", "452 4.2.2 mailbox is full", Blame.TRANSIENT, "4.2.2"),
        ("rcpt", "451 4.7.1 greylisted, come again", Blame.TRANSIENT, "4.7.1"),
        ("rcpt", "450 4.7.0 too fast", Blame.THROTTLED, "4.7.0"),
        ("mail", "550 5.7.1 policy", Blame.FILTERED, "5.7.1"),
        ("mail", "553 5.1.8 your domain is not good", Blame.GATEWAY, "5.1.8"),
        ("mail", "421 4.3.2 closing", Blame.TRANSIENT, "4.3.2"),
        ("data", "554 5.7.26 unsigned", Blame.FILTERED, "5.7.26"),
        ("data", "552 5.3.4 too long", Blame.FILTERED, "5.3.4"),
    ],
)
def test_each_refusal_is_blamed_on_what_it_is_about(
    server: MailServer, step: str, reply: str, blame: Blame, code: str
) -> None:
    """By the enhanced status where there is one, else by the reply code."""
    setattr(server.mailbox, step, reply)

    outcome = gateway_to(server.port).send(ALERT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (blame, code)
    assert server.taken == []


@pytest.mark.parametrize(("reply", "blame"), [("599 strange", Blame.FILTERED), ("499 strange", Blame.TRANSIENT)])
def test_a_reply_in_no_table_is_loud(
    server: MailServer, caplog: pytest.LogCaptureFixture, reply: str, blame: Blame
) -> None:
    """What is refused for good is not written off as the person's fault."""
    server.mailbox.rcpt = reply

    outcome = gateway_to(server.port).send(ALERT)

    assert isinstance(outcome, Refused)
    assert outcome.blame is blame
    assert UNKNOWN_REPLY in caplog.messages


@pytest.mark.parametrize("cut", [CUT, CUT_AFTER])
def test_a_line_cut_after_the_words_is_unknown(server: MailServer, cut: str) -> None:
    """The server may have taken it or not; nobody can say."""
    server.mailbox.data = cut

    outcome = gateway_to(server.port).send(ALERT)

    assert isinstance(outcome, Unknown)


def test_silence_after_the_words_is_unknown_within_the_limit(server: MailServer) -> None:
    """A server that stalls holds nobody up."""
    server.mailbox.stall_s = 3.0
    began = time.monotonic()

    outcome = gateway_to(server.port).send(ALERT)

    assert isinstance(outcome, Unknown)
    assert time.monotonic() - began < 2 * LIMITS.total_s


def test_no_server_is_a_refusal_since_nothing_was_sent() -> None:
    """Nothing left this machine."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        outcome = gateway_to(probe.getsockname()[1]).send(ALERT)

    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.TRANSIENT


@contextmanager
def dripping_server() -> Iterator[int]:
    """A server whose greeting never ends, one byte at a time."""
    stopping = threading.Event()
    with socket.create_server(("127.0.0.1", 0)) as listener:

        def drip() -> None:
            line, _ = listener.accept()
            with line:
                while not stopping.wait(0.1):
                    try:
                        line.send(b"2")
                    except OSError:
                        return

        thread = threading.Thread(target=drip)
        thread.start()
        yield listener.getsockname()[1]
        stopping.set()
        thread.join()


def test_a_server_that_drips_is_left_when_the_time_is_over() -> None:
    """No silence is long enough to end it, but the whole is."""
    with dripping_server() as port:
        began = time.monotonic()
        outcome = gateway_to(port).send(ALERT)
        took_s = time.monotonic() - began

    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.TRANSIENT
    assert took_s < 2 * LIMITS.total_s


@pytest.mark.parametrize("starttls", [True, False])
def test_with_tls_and_a_password(authority: trustme.CA, starttls: bool) -> None:  # noqa: FBT001 - a parameter of pytest
    """Both usual ways to keep the line private."""
    security = Security.STARTTLS if starttls else Security.TLS
    with MailServer(tls=server_tls(authority), starttls=starttls, sign_in=True) as server:
        gateway = gateway_to(
            server.port, host="localhost", tls=client_tls(authority), security=security, user=USER, password=PASSWORD
        )
        outcome = gateway.send(ALERT)

    assert isinstance(outcome, Accepted)
    assert len(server.taken) == 1


def test_a_wrong_password_is_the_gateways_fault(authority: trustme.CA) -> None:
    """More of the same is of no use."""
    with MailServer(tls=server_tls(authority), starttls=True, sign_in=True) as server:
        gateway = gateway_to(
            server.port,
            host="localhost",
            tls=client_tls(authority),
            security=Security.STARTTLS,
            user=USER,
            password="wrong",
        )
        outcome = gateway.send(ALERT)

    assert isinstance(outcome, Refused)
    assert (outcome.blame, outcome.code) == (Blame.GATEWAY, "5.7.8")


def test_a_certificate_for_another_name_ends_it(authority: trustme.CA) -> None:
    """Nothing is told to a server that cannot say who it is."""
    with MailServer(tls=server_tls(authority, "other.example"), starttls=True) as server:
        gateway = gateway_to(server.port, host="localhost", tls=client_tls(authority), security=Security.STARTTLS)
        outcome = gateway.send(ALERT)

    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.GATEWAY
    assert server.taken == []


def test_a_server_without_starttls_is_not_spoken_to_in_clear(server: MailServer) -> None:
    """A line that was to be private and is not carries nothing."""
    outcome = gateway_to(server.port, security=Security.STARTTLS).send(ALERT)

    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.GATEWAY
    assert server.taken == []


def test_a_name_that_leads_elsewhere_is_not_followed() -> None:
    """A public name that resolves into the private network is refused before connecting."""
    config = SmtpConfig("mail", "mail.example.org", 25, Security.STARTTLS, SENDER)
    gateway = SmtpGateway(config, limits=LIMITS, resolve=lambda _host, _port: ["10.0.0.7"])

    outcome = gateway.send(ALERT)

    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.TRANSIENT
    assert "settings" in outcome.detail


def test_a_look_up_that_hangs_is_left() -> None:
    """The system's resolver cannot be stopped, but nobody waits for it."""
    waiting = threading.Event()

    def hang(_host: str, _port: int) -> list[str]:
        waiting.wait(5)
        return []

    config = SmtpConfig("mail", "mail.example.org", 25, Security.STARTTLS, SENDER)
    outcome = SmtpGateway(config, limits=LIMITS, resolve=hang).send(ALERT)
    waiting.set()

    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.TRANSIENT


@pytest.mark.parametrize("to", ["no address", "a@b@c", "x\r\nBcc: y@example.net", ""])
def test_an_address_that_is_none_sends_nothing(server: MailServer, to: str) -> None:
    """Nor can it bring in a header of its own."""
    outcome: Outcome = gateway_to(server.port).send(Outgoing(to, "words", "m2", Channel.EMAIL, "subject"))

    assert isinstance(outcome, Refused)
    assert outcome.blame is Blame.NUMBER
    assert server.taken == []


def test_no_address_of_a_person_stays_in_the_detail(server: MailServer) -> None:
    """The detail goes into logs."""
    server.mailbox.rcpt = f"550 5.1.1 <{CLEO}> is not here"

    outcome = gateway_to(server.port).send(ALERT)

    assert isinstance(outcome, Refused)
    assert CLEO not in outcome.detail


def test_a_mail_server_cannot_be_asked(server: MailServer) -> None:
    """Neither what it took nor what came in."""
    gateway = gateway_to(server.port)

    assert isinstance(gateway.look_up(ALERT, NOW), CannotTell)
    assert gateway.recent_texts(NOW, NOW) is None


def test_the_check_signs_in_and_leaves(server: MailServer) -> None:
    """For the doctor: nothing wrong with one that answers, words for one that does not."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        wrong = gateway_to(probe.getsockname()[1]).check()

    assert gateway_to(server.port).check() is None
    assert wrong
