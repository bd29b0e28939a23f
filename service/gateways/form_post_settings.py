"""A form-post gateway in the settings."""

from __future__ import annotations

import re

from service.gateways.entries import SENDER, SENDER_WANTED, TOKEN, TOKEN_WANTED, Entry
from service.gateways.form_post import FormPostConfig

_ACCOUNT = re.compile(r"[A-Za-z0-9_.-]{1,64}")

_REQUIRED = ("base_url", "account", "token", "sender")
_OPTIONAL = ("previous_token",)


def read_form_post(entry: Entry) -> FormPostConfig:
    """Return the gateway. Raises GatewaySettingsError."""
    entry.check_keys(_REQUIRED, _OPTIONAL)
    return FormPostConfig(
        name=str(entry.values["name"]),
        base_url=entry.base_url(),
        account=entry.text("account", _ACCOUNT, "letters, digits, dots, hyphens and underscores"),
        token=entry.text("token", TOKEN, TOKEN_WANTED),
        sender=entry.text("sender", SENDER, SENDER_WANTED),
        previous_token=entry.optional_text("previous_token", TOKEN, TOKEN_WANTED),
        sends_receipts=entry.yes_no("receipts", default=True),
        allow_private=entry.yes_no("allow_private", default=False),
        route=entry.route(),
    )
