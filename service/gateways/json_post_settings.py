"""A json-post gateway in the settings."""

from __future__ import annotations

from service.gateways.entries import SENDER, SENDER_WANTED, TOKEN, TOKEN_WANTED, Entry
from service.gateways.json_post import JsonPostConfig
from service.gateways.webhook_signing import SECRET, UnusableSecretError, secret_key

_REQUIRED = ("base_url", "token", "secret", "sender")
_OPTIONAL = ("previous_secret", "receiving_number")
_SECRET_WANTED = "whsec_ and then 24 to 64 random bytes in base64"  # noqa: S105 - words about a secret


def read_json_post(entry: Entry) -> JsonPostConfig:
    """Return the gateway. Raises GatewaySettingsError."""
    entry.check_keys(_REQUIRED, _OPTIONAL)
    return JsonPostConfig(
        name=str(entry.values["name"]),
        base_url=entry.base_url(),
        token=entry.text("token", TOKEN, TOKEN_WANTED),
        secret=_secret(entry, "secret"),
        sender=entry.text("sender", SENDER, SENDER_WANTED),
        previous_secret=_secret(entry, "previous_secret") if "previous_secret" in entry.values else None,
        sends_receipts=entry.yes_no("receipts", default=True),
        allow_private=entry.yes_no("allow_private", default=False),
        route=entry.route(),
        receiving_number=entry.receiving_number(),
    )


def _secret(entry: Entry, key: str) -> str:
    secret = entry.text(key, SECRET, _SECRET_WANTED)
    try:
        secret_key(secret)
    except UnusableSecretError:
        raise entry.wrong(key, _SECRET_WANTED) from None
    return secret
