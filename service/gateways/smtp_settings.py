"""A mail server in the settings."""

from __future__ import annotations

import re

from service.domain.people import Channel
from service.gateways.connections import is_this_machine
from service.gateways.entries import EMAIL, EMAIL_WANTED, TOKEN, TOKEN_WANTED, Entry
from service.gateways.smtp import Security, SmtpConfig

_HOST = re.compile(r"[A-Za-z0-9.:-]{1,253}")
_USER = re.compile(r"[!-~]{1,200}")
_SECURITY = re.compile("|".join(Security))
_PORT_BY_SECURITY = {Security.STARTTLS: 587, Security.TLS: 465, Security.NONE: 25}
"""Submission (RFC 6409 section 3.1), submission over TLS (RFC 8314 section 3.3), and plain SMTP (RFC 5321 4.5.4.2)."""
_PORT_MAX = 65535

_REQUIRED = ("host", "sender")
_OPTIONAL = ("port", "security", "user", "password")


def read_smtp(entry: Entry) -> SmtpConfig:
    """Return the mail server. Raises GatewaySettingsError."""
    entry.check_keys(_REQUIRED, _OPTIONAL)
    host = entry.text("host", _HOST, "the name of a mail server, such as mail.example.org")
    allow_private = entry.yes_no("allow_private", default=False)
    word = entry.optional_text("security", _SECURITY, f"one of: {', '.join(Security)}")
    security = Security(word or Security.STARTTLS)
    if security is Security.NONE and not (is_this_machine(host) or allow_private):
        raise entry.wrong("security", "starttls or tls, or the mail server must have allow_private")
    user, password = _sign_in(entry, security, host)
    if "receipts" in entry.values:
        raise entry.wrong("receipts", "left out: a mail server sends none")
    return SmtpConfig(
        name=str(entry.values["name"]),
        host=host,
        port=_port(entry, security),
        security=security,
        sender=entry.text("sender", EMAIL, EMAIL_WANTED),
        user=user,
        password=password,
        allow_private=allow_private,
        route=entry.route(Channel.EMAIL),
    )


def _port(entry: Entry, security: Security) -> int:
    value = entry.values.get("port", _PORT_BY_SECURITY[security])
    if isinstance(value, bool) or not isinstance(value, int) or not 1 <= value <= _PORT_MAX:
        raise entry.wrong("port", f"a number from 1 to {_PORT_MAX}")
    return value


def _sign_in(entry: Entry, security: Security, host: str) -> tuple[str | None, str | None]:
    """User and password: both or neither, and never over a line that others can read."""
    user = entry.optional_text("user", _USER, "printable characters without spaces")
    password = entry.optional_text("password", TOKEN, TOKEN_WANTED)
    if (user is None) != (password is None):
        raise entry.wrong("user", "given together with password, or both left out")
    if user is not None and security is Security.NONE and not is_this_machine(host):
        raise entry.wrong("security", "starttls or tls where there is a password")
    return user, password
