"""A form-post gateway in the settings."""

from __future__ import annotations

import re
from dataclasses import replace

from service.gateways.entries import (
    SENDER,
    SENDER_WANTED,
    TOKEN,
    TOKEN_WANTED,
    Entry,
    GatewaySettingsError,
    is_text,
)
from service.gateways.form_post_config import FormPostConfig

_ACCOUNT = re.compile(r"[A-Za-z0-9_.-]{1,64}")

_CALLER = re.compile(r"\+[1-9][0-9]{6,14}")

_REQUIRED = ("base_url", "account", "token", "sender")
_OPTIONAL = ("previous_token", "lists", "calls", "call_sender", "receiving_number")


def read_form_post(entry: Entry) -> FormPostConfig:
    """Return the gateway. Raises GatewaySettingsError."""
    entry.check_keys(_REQUIRED, _OPTIONAL)
    calls, caller = _caller(entry)
    return FormPostConfig(
        name=str(entry.values["name"]),
        base_url=entry.base_url(),
        account=entry.text("account", _ACCOUNT, "letters, digits, dots, hyphens and underscores"),
        token=entry.text("token", TOKEN, TOKEN_WANTED),
        sender=entry.text("sender", SENDER, SENDER_WANTED),
        previous_token=entry.optional_text("previous_token", TOKEN, TOKEN_WANTED),
        sends_receipts=entry.yes_no("receipts", default=True),
        allow_private=entry.yes_no("allow_private", default=False),
        route=replace(entry.route(), lists=entry.yes_no("lists", default=False)),
        calls=calls,
        call_sender=caller,
        receiving_number=entry.receiving_number(),
    )


def _caller(entry: Entry) -> tuple[bool, str | None]:
    """Whether it makes calls, and from which number where that is not the sender."""
    calls = entry.yes_no("calls", default=False)
    caller = entry.optional_text("call_sender", _CALLER, "the phone number that calls, such as +447700900000")
    if caller is not None and not calls:
        raise entry.wrong("calls", "true where there is a call_sender")
    if calls and caller is None and not is_text(entry.values["sender"], _CALLER):
        raise GatewaySettingsError(f"{entry.label}: call_sender is missing, since a short code cannot make calls")
    if calls and not entry.yes_no("receipts", default=True):
        raise entry.wrong("receipts", "true where there are calls: how a call ended is told by receipt")
    return calls, caller
