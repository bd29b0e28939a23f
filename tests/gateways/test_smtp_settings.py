"""A mail server in the settings: what is taken, and the words for what is not."""

from __future__ import annotations

import json

import pytest

from service.gateways import GatewaySettingsError, read_gateways
from service.gateways.smtp import Security, SmtpConfig

PUBLIC_URL = "https://dives.example.org"
TEXTS = {
    "name": "shore",
    "kind": "form-post",
    "base_url": "https://texts.example.org",
    "account": "AC1",
    "token": "a-token",
    "sender": "+447700900000",
}
MAIL = {"name": "mail", "kind": "smtp", "host": "mail.example.org", "sender": "alerts@dives.example.org"}


def read(**changes: object) -> SmtpConfig:
    """The mail server behind a text gateway, with these keys changed; None takes one out."""
    entry = {key: value for key, value in (MAIL | changes).items() if value is not None}
    config = read_gateways(json.dumps([TEXTS, entry]), public_url=PUBLIC_URL)[1]
    assert isinstance(config, SmtpConfig)
    return config


def test_the_usual_mail_server_starts_tls_on_the_port_of_submission() -> None:
    """What most providers tell their customers to set."""
    config = read(user="me", password="secret-one")

    assert (config.host, config.port, config.security) == ("mail.example.org", 587, Security.STARTTLS)
    assert "secret-one" not in repr(config)


@pytest.mark.parametrize(("security", "port"), [("tls", 465), ("starttls", 587)])
def test_each_way_has_its_usual_port(security: str, port: int) -> None:
    """And another where one is given."""
    assert read(security=security).port == port
    assert read(security=security, port=2525).port == 2525


def test_its_canary_is_an_address() -> None:
    """A test e-mail goes to a mailbox of the operator's own."""
    assert read(canary="me@example.net").route.canary == "me@example.net"


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"host": None}, "gateway mail: host is missing"),
        ({"host": "http://mail.example.org"}, "host must be the name of a mail server"),
        ({"sender": "alerts"}, "sender must be an e-mail address"),
        ({"port": 0}, "port must be a number from 1 to 65535"),
        ({"port": True}, "port must be a number"),
        ({"security": "ssl"}, "security must be one of: starttls, tls, none"),
        ({"security": "none"}, "security must be starttls or tls"),
        ({"user": "me"}, "user must be given together with password"),
        ({"password": "p"}, "user must be given together with password"),
        (
            {"security": "none", "allow_private": True, "user": "me", "password": "p"},
            "security must be starttls or tls where there is a password",
        ),
        ({"receipts": True}, "receipts must be left out"),
        ({"canary": "+447700900000"}, "canary must be an e-mail address"),
        ({"account": "x"}, "unknown key 'account'"),
    ],
)
def test_what_is_wrong_is_named(changes: dict[str, object], words: str) -> None:
    """By gateway and key, with what would be right."""
    with pytest.raises(GatewaySettingsError, match=words):
        read(**changes)


def test_a_mail_server_alone_is_no_way_to_raise_an_alarm() -> None:
    """Nobody can answer an e-mail, and a diver cannot send one from the beach."""
    with pytest.raises(GatewaySettingsError, match="at least one gateway for texts"):
        read_gateways(json.dumps([MAIL]), public_url=PUBLIC_URL)
