"""The demo's own mail server: takes e-mails on loopback and lays them into the practice mailboxes.

Run by the demo as a process: `python -m service.demo.mail_room PORT`, with the demo's settings in its environment.
"""

from __future__ import annotations

import os
import secrets
import signal
import sys
import threading
from email import message_from_bytes
from email.message import EmailMessage
from email.policy import SMTP as MAIL
from typing import Final, cast

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, Envelope, Session
from sqlalchemy.orm import Session as DatabaseSession

from service.app import open_service
from service.domain.people import Channel
from service.operations.service import Service
from service.settings import read_settings
from service.store import practice

HOST: Final = "127.0.0.1"
STARTS_WITHIN_S: Final = 10.0
BYTES_MAX: Final = 256 * 1024


class MailRoom:
    """Takes every e-mail, and keeps what a reader sees first: sender, subject and the plain words."""

    def __init__(self, service: Service) -> None:
        self._service = service

    async def handle_DATA(self, _server: SMTP, _session: Session, envelope: Envelope) -> str:  # noqa: N802 - aiosmtpd's name
        """Lay one e-mail into the mailbox of each recipient."""
        mail = message_from_bytes(cast("bytes", envelope.content), policy=MAIL)
        for to in envelope.rcpt_tos:
            self._service.write(lambda session, to=to: self._lay(session, to, mail))  # type: ignore[misc]
        return "250 2.0.0 laid into the practice mailbox"

    def _lay(self, session: DatabaseSession, to: str, mail: EmailMessage) -> None:
        plain = mail.get_body(("plain",))
        practice.add(
            session,
            to_phone=to,
            from_phone=str(mail["From"]),
            body=plain.get_content() if plain is not None else "",
            direction=practice.TO_PHONE,
            at=self._service.clock.now(),
            sid=f"PE{secrets.token_hex(16)}",
            delivered=True,
            channel=Channel.EMAIL,
            subject=str(mail["Subject"]),
        )


def mail_room_command(port: int) -> list[str]:
    """How the server is started."""
    return [sys.executable, "-m", "service.demo.mail_room", str(port)]


def main(port: int) -> None:
    """Take e-mails until a signal comes."""
    service = open_service(read_settings(os.environ), "mail-room")
    room = Controller(
        MailRoom(service), hostname=HOST, port=port, data_size_limit=BYTES_MAX, ready_timeout=STARTS_WITHIN_S
    )
    stopping = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: stopping.set())
    room.start()
    try:
        stopping.wait()
    finally:
        room.stop()
        service.engine.dispose()


if __name__ == "__main__":
    main(int(sys.argv[1]))
