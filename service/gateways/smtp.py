"""Sending e-mails by SMTP (RFC 5321): an extra way to people, which nobody can answer.

One connection for each message: mails are few, and a connection that a server closed in silence would cost the one
that matters. smtplib limits each silence but not the whole, so that a timer ends the exchange after its total time.
"""

from __future__ import annotations

import contextlib
import ipaddress
import logging
import re
import smtplib
import socket
import ssl
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from email.message import EmailMessage
from enum import StrEnum

from service.domain.people import Channel
from service.gateways.as_set_up import AsSetUp
from service.gateways.connections import AddressRule, Resolve, is_this_machine, system_addresses, tls_context
from service.gateways.mail_message import domain_of, mail, message_id
from service.gateways.smtp_codes import blame_for
from service.operations.gateway import (
    Accepted,
    Blame,
    CannotTell,
    InboundText,
    Lookup,
    Outcome,
    Outgoing,
    Refused,
    Route,
    Unknown,
)

UNKNOWN_REPLY = "gateway.unknown_mail_reply"
UNFORESEEN_FAULT = "gateway.unforeseen_mail_fault"

EVERYTHING = Route()
_STATUS = re.compile(r"[245]\.[0-9]{1,3}\.[0-9]{1,3}(?= |$)")
_MAIL_ADDRESS = re.compile(r"[^\s<>]+@[^\s<>]+")
_DETAIL_MAX = 200
_PERMANENT = 500
_LEAST_S = 0.001  # 0 would have a socket not wait at all

_log = logging.getLogger(__name__)


class Security(StrEnum):
    """How the line to the mail server is kept private."""

    STARTTLS = "starttls"  # RFC 3207, port 587 by custom
    TLS = "tls"  # from the first byte, RFC 8314, port 465 by custom
    NONE = "none"  # this machine or a private network only


@dataclass(frozen=True, slots=True)
class SmtpConfig:
    """One mail server as set up. `sender` is an ASCII address; without a user nobody signs in."""

    name: str
    host: str
    port: int
    security: Security
    sender: str
    user: str | None = None
    password: str | None = field(default=None, repr=False)
    allow_private: bool = False
    route: Route = EVERYTHING

    @property
    def channels(self) -> frozenset[Channel]:
        """The ways to a person that it can carry."""
        return frozenset({Channel.EMAIL})

    @property
    def sends_receipts(self) -> bool:
        """It tells of failures at most, by mail, and nobody reads those."""
        return False


@dataclass(frozen=True, slots=True)
class MailLimits:
    """Seconds of silence that end an exchange, and of the whole of it."""

    silence_s: float = 8.0
    total_s: float = 12.0


class SmtpGateway(AsSetUp[SmtpConfig]):
    """A mail server that takes our e-mails. Many threads may send through one at once."""

    def __init__(
        self,
        config: SmtpConfig,
        *,
        limits: MailLimits | None = None,
        resolve: Resolve = system_addresses,
        tls: ssl.SSLContext | None = None,
        wall: Callable[[], datetime] = lambda: datetime.now(UTC),
    ) -> None:
        super().__init__(config)
        self._limits = limits or MailLimits()
        self._resolve = resolve
        self._wall = wall
        self._rule = AddressRule(
            clear_text=config.security is Security.NONE,
            loopback=is_this_machine(config.host),
            allow_private=config.allow_private,
        )
        self._tls = tls or tls_context()

    def send(self, message: Outgoing) -> Outcome:
        """Hand over one e-mail; never raises, and takes at most `MailLimits.total_s` seconds."""
        try:
            letter = self._letter(message)
        except Exception as fault:  # noqa: BLE001 - the port promises an outcome for every fault
            return Refused(Blame.NUMBER, "address", f"the e-mail could not be written: {type(fault).__name__}")
        exchange = _Exchange()
        try:
            with self._connected(exchange) as line:
                self._hand_over(line, letter, message.to, exchange)
        except Exception as fault:  # noqa: BLE001 - the port promises an outcome for every fault
            return self._outcome_of(fault, exchange)
        return Accepted(message_id(message.reference, self._config.sender).strip("<>"))

    def look_up(self, message: Outgoing, since: datetime) -> Lookup:  # noqa: ARG002 - the port's arguments
        """SMTP has no way to ask."""
        return CannotTell("a mail server cannot be asked")

    def recent_texts(self, since: datetime, now: datetime) -> Sequence[InboundText] | None:  # noqa: ARG002
        """Nobody reads what is mailed to us."""
        return None

    def close(self) -> None:
        """Nothing is kept open."""

    def check(self) -> str | None:
        """Sign in and leave again; gives what is wrong, None when all is well."""
        exchange = _Exchange()
        try:
            with self._connected(exchange) as line:
                line.noop()
        except Exception as fault:  # noqa: BLE001 - whatever it is, it is the answer
            outcome = self._outcome_of(fault, exchange)
            return outcome.detail if isinstance(outcome, Refused | Unknown) else None
        return None

    def _letter(self, message: Outgoing) -> EmailMessage:
        return mail(
            sender=self._config.sender,
            to=message.to,
            subject=message.subject or "Linetender",
            text=message.body,
            language=message.language,
            reference=message.reference,
            thread=message.thread,
            now=self._wall(),
        )

    @contextlib.contextmanager
    def _connected(self, exchange: _Exchange) -> Iterator[smtplib.SMTP]:
        """A line on which we have signed in, which ends when the time of the whole is over."""
        ends_at = time.monotonic() + self._limits.total_s
        line = _Line(self._config, self._tls, self._permitted(ends_at), ends_at, self._limits.silence_s)
        timer = threading.Timer(max(0.0, ends_at - time.monotonic()), line.cut)
        timer.daemon = True
        timer.start()
        try:
            line.connect(self._config.host, self._config.port)
            line.ehlo_or_helo_if_needed()
            if self._config.security is Security.STARTTLS:
                line.make_safe()
            if self._config.user is not None:
                line.login(self._config.user, self._config.password or "")
            yield line
            exchange.over = True
            with contextlib.suppress(smtplib.SMTPException, OSError):
                line.quit()
        finally:
            timer.cancel()
            line.close()

    def _permitted(self, ends_at: float) -> list[str]:
        """The addresses that may be connected to. Raises OSError when there is none, TimeoutError when it hangs."""
        answers: list[list[str] | Exception] = []

        def ask() -> None:
            try:
                answers.append(self._resolve(self._config.host, self._config.port))
            except (OSError, UnicodeError) as fault:
                answers.append(fault)

        # A daemon, since a look-up that hangs in the system's resolver cannot be stopped.
        asking = threading.Thread(target=ask, daemon=True)
        asking.start()
        asking.join(timeout=max(0.0, ends_at - time.monotonic()))
        if not answers:
            raise TimeoutError(f"looking up {self._config.host} took too long")
        if isinstance(answers[0], Exception):
            raise OSError(str(answers[0]))
        found = [one for one in answers[0] if self._rule.permits(ipaddress.ip_address(one.partition("%")[0]))]
        if not found:
            raise OSError(f"{self._config.host} leads to no address that the settings allow")
        return found

    def _hand_over(self, line: smtplib.SMTP, letter: EmailMessage, to: str, exchange: _Exchange) -> None:
        code, reply = line.mail(self._config.sender, ())
        if code != 250:  # noqa: PLR2004 - RFC 5321 4.3.2
            raise smtplib.SMTPSenderRefused(code, reply, self._config.sender)
        code, reply = line.rcpt(to)
        if code not in (250, 251):
            raise smtplib.SMTPResponseException(code, reply)
        # From here on the server may take the whole of it, whatever we hear.
        exchange.data_began = True
        code, reply = line.data(letter.as_bytes())
        if code != 250:  # noqa: PLR2004
            raise smtplib.SMTPDataError(code, reply)

    def _outcome_of(self, fault: Exception, exchange: _Exchange) -> Outcome:
        if exchange.over:
            _log.error(UNFORESEEN_FAULT, extra={"gateway": self.name, "fault": type(fault).__name__})
            return Unknown(_detail(f"{type(fault).__name__} after the e-mail was taken"))
        if isinstance(fault, smtplib.SMTPResponseException):
            return self._refused(fault)
        kind = type(fault).__name__
        if exchange.data_began:
            return Unknown(_detail(f"{kind}: {fault}"))
        if isinstance(fault, smtplib.SMTPNotSupportedError | ssl.SSLCertVerificationError):
            return Refused(Blame.GATEWAY, kind, _detail(f"{kind}: {fault}"))
        if not isinstance(fault, OSError | smtplib.SMTPException):
            _log.error(UNFORESEEN_FAULT, extra={"gateway": self.name, "fault": kind})
        return Refused(Blame.TRANSIENT, kind, _detail(f"{kind}: {fault}"))

    def _refused(self, fault: smtplib.SMTPResponseException) -> Refused:
        words = fault.smtp_error.decode("utf-8", "replace") if isinstance(fault.smtp_error, bytes) else fault.smtp_error
        found = _STATUS.match(words)
        status = found.group() if found else None
        blame = blame_for(fault.smtp_code, status)
        if blame is None:
            _log.error(UNKNOWN_REPLY, extra={"gateway": self.name, "reply": fault.smtp_code, "status": status})
            blame = Blame.FILTERED if fault.smtp_code >= _PERMANENT else Blame.TRANSIENT
        return Refused(blame, status or str(fault.smtp_code), _detail(f"{fault.smtp_code} {words}"))


@dataclass(slots=True)
class _Exchange:
    """How far an exchange came."""

    data_began: bool = False
    over: bool = False


class _Line(smtplib.SMTP):
    """A line to one mail server, opened only to permitted addresses and cut when its time is over."""

    def __init__(
        self, config: SmtpConfig, tls: ssl.SSLContext, addresses: Sequence[str], ends_at: float, silence_s: float
    ) -> None:
        super().__init__(local_hostname=domain_of(config.sender), timeout=silence_s)
        self._config = config
        self._tls = tls
        self._addresses = addresses
        self._ends_at = ends_at
        # smtplib keeps the name here too, where it is given one at once; the certificate is checked against it.
        self._host = config.host

    def cut(self) -> None:
        """End it from another thread: whoever reads or writes gets an error at once."""
        sock = self.sock
        if sock is not None:
            with contextlib.suppress(OSError):
                # Not by TLS's own method: a moment before it ends the line, that lets words through in clear.
                socket.socket.shutdown(sock, socket.SHUT_RDWR)

    def make_safe(self) -> None:
        """Turn to TLS by STARTTLS (RFC 3207), in the time that is left. Raises SMTPException or OSError.

        smtplib's own way keeps the new socket to itself until the handshake is over, so that nobody could cut it.
        """
        if not self.has_extn("starttls"):
            raise smtplib.SMTPNotSupportedError("STARTTLS extension not supported by server.")
        code, reply = self.docmd("STARTTLS")
        if code != 220 or self.sock is None:  # noqa: PLR2004 - RFC 3207 4
            raise smtplib.SMTPResponseException(code, reply)
        # What was said in clear counts no more, nor what came after the answer: anybody may have put it in.
        self.file = None
        self.helo_resp = self.ehlo_resp = None
        self.esmtp_features = {}
        self.does_esmtp = False
        self._shake_hands(self.sock)
        # The server has forgotten who we are, RFC 3207 4.2: without a sign-in nothing else would greet it again.
        self.ehlo_or_helo_if_needed()

    def _shake_hands(self, plain: socket.socket) -> ssl.SSLSocket:
        """The line by TLS, with the certificate and its name verified; it can be cut in the middle of the handshake."""
        self.sock = sock = self._tls.wrap_socket(plain, server_hostname=self._host, do_handshake_on_connect=False)
        self._go_on()
        sock.do_handshake()
        return sock

    def _go_on(self) -> None:
        """From a new socket, which can be cut from now on. Raises TimeoutError where it should have been before."""
        if time.monotonic() >= self._ends_at:
            raise TimeoutError("connecting took too long")

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:  # noqa: ARG002 - smtplib's arguments
        self.sock = sock = self._connected(port, timeout)
        if self._config.security is Security.TLS:
            return self._shake_hands(sock)
        self._go_on()
        return sock

    def _connected(self, port: int, timeout: float) -> socket.socket:
        """A socket to the first of the addresses that answers; each has its share of the time that is left."""
        *others, last = self._addresses
        for position, address in enumerate(others):
            with contextlib.suppress(OSError):
                return self._connected_to(address, port, timeout, share=len(self._addresses) - position)
        return self._connected_to(last, port, timeout, share=1)

    def _connected_to(self, address: str, port: int, timeout: float, share: int) -> socket.socket:
        self._go_on()
        left = self._ends_at - time.monotonic()
        sock = socket.create_connection((address, port), min(timeout, max(left, _LEAST_S) / share))
        sock.settimeout(timeout)
        return sock


def _detail(text: str) -> str:
    """Return the text fit for the log and the database: short, printable, and with no address of a person."""
    printable = "".join(character if character.isprintable() else " " for character in text[: 4 * _DETAIL_MAX])
    return _MAIL_ADDRESS.sub("...", printable)[:_DETAIL_MAX]
