"""The demo's mail server: what is mailed lies in the practice mailbox."""

from __future__ import annotations

import os
import subprocess

import pytest

from service.demo.broker import free_port, wait_until_listening
from service.demo.mail_room import HOST, mail_room_command
from service.domain.people import Channel
from service.gateways.smtp import Security, SmtpConfig, SmtpGateway
from service.operations.gateway import Accepted, Outgoing
from service.store import practice
from service.store.engine import open_engine, reading

CLEO = "cleo@skerry.example"


@pytest.mark.processes
def test_an_email_lies_in_the_mailbox(migrated_sqlite_url: str) -> None:
    """Sender, subject and plain words, from the process that a demo starts."""
    port = free_port()
    settings = {
        "LINETENDER_DATABASE_URL": migrated_sqlite_url,
        "LINETENDER_BROKER_URL": "redis://127.0.0.1:9/0",
        "LINETENDER_SECRET_KEY": "k" * 40,
        "LINETENDER_PUBLIC_URL": "http://127.0.0.1:8000",
        "LINETENDER_GATEWAYS": "[]",
        "LINETENDER_DEMO": "yes",
    }
    room = subprocess.Popen(mail_room_command(port), env=os.environ | settings)
    try:
        assert wait_until_listening(port)
        gateway = SmtpGateway(SmtpConfig("mail-room", HOST, port, Security.NONE, "linetender@skerry.example"))
        outcome = gateway.send(Outgoing(CLEO, "OVERDUE: Anna Holt\u00e9", "m1", Channel.EMAIL, "OVERDUE", "d1"))
    finally:
        room.terminate()
        ended = room.wait(10)
    engine = open_engine(migrated_sqlite_url)
    with reading(engine) as session:
        (mail,) = practice.all_messages(session)
    engine.dispose()

    assert isinstance(outcome, Accepted)
    assert (mail.to_phone, mail.subject, mail.body.strip()) == (CLEO, "OVERDUE", "OVERDUE: Anna Holt\u00e9")
    assert "linetender@skerry.example" in mail.from_phone
    assert ended == 0
