"""A real mail server on loopback, with a journal of what it took and a script of what it refuses."""

from __future__ import annotations

import asyncio
import socket
import ssl
from dataclasses import dataclass, field
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP as MAIL
from typing import Any, Self, cast

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

USER, PASSWORD = "linetender", "a-mail-password"
OK = "250 2.0.0 taken"
CUT = "cut"
CUT_AFTER = "cut after"


@dataclass(slots=True)
class Mailed:
    """One e-mail that the server took."""

    sender: str
    to: str
    message: EmailMessage


@dataclass  # without slots: aiosmtpd looks at all there is of it, which Python 3.11.2 cannot bear with them
class Mailbox:
    """What the server does at each of its commands; an answer of None is the usual one."""

    mail: str | None = None
    rcpt: str | None = None
    data: str | None = None
    stall_s: float = 0.0
    taken: list[Mailed] = field(default_factory=list)

    async def handle_MAIL(  # noqa: N802 - the library's name
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Answer to the sender."""
        if self.mail is not None:
            return self.mail
        envelope.mail_from, envelope.mail_options = address, options
        return "250 OK"

    async def handle_RCPT(  # noqa: N802
        self, _server: SMTP, _session: Session, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        """Answer to the recipient."""
        if self.rcpt is not None:
            return self.rcpt
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802
        """Take the e-mail, and answer as the script says."""
        await asyncio.sleep(self.stall_s)
        if self.data == CUT:
            _cut(server)
            return OK
        if self.data is not None and self.data != CUT_AFTER:
            return self.data
        message = cast("EmailMessage", message_from_bytes(cast("bytes", envelope.content), policy=MAIL))
        self.taken.append(Mailed(envelope.mail_from or "", envelope.rcpt_tos[0], message))
        if self.data == CUT_AFTER:
            _cut(server)
        return OK


def _cut(server: SMTP) -> None:
    server.transport.abort()


def _sign_in(_server: SMTP, _session: Session, _envelope: Envelope, _mechanism: str, data: Any) -> AuthResult:
    right = isinstance(data, LoginPassword) and (data.login, data.password) == (USER.encode(), PASSWORD.encode())
    return AuthResult(success=right, handled=False)


class _Tls(Controller):
    """Speaks TLS from the first byte."""

    def __init__(self, mailbox: Mailbox, tls: ssl.SSLContext, **more: Any) -> None:
        super().__init__(mailbox, ssl_context=tls, **more)


class MailServer:
    """A mail server. `tls` is its certificate's context; `starttls` waits for the command, else it is TLS at once."""

    def __init__(self, *, tls: ssl.SSLContext | None = None, starttls: bool = False, sign_in: bool = False) -> None:
        self.mailbox = Mailbox()
        more: dict[str, Any] = {"hostname": "127.0.0.1", "port": _free_port(), "enable_SMTPUTF8": False}
        if sign_in:
            # The library does not see a line that is TLS from the first byte, so that it can only offer sign-in there.
            more |= {"authenticator": _sign_in, "auth_required": starttls, "auth_require_tls": starttls}
        if tls is None:
            self._controller: Controller = Controller(self.mailbox, **more)
        elif starttls:
            self._controller = Controller(self.mailbox, tls_context=tls, require_starttls=True, **more)
        else:
            self._controller = _Tls(self.mailbox, tls, **more)

    @property
    def port(self) -> int:
        """Where it listens on loopback."""
        return int(self._controller.port)

    @property
    def taken(self) -> list[Mailed]:
        """What it took, first to last."""
        return self.mailbox.taken

    def __enter__(self) -> Self:
        """Begin to listen."""
        self._controller.start()
        return self

    def __exit__(self, *_: object) -> None:
        """Listen no more."""
        self._controller.stop()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])
