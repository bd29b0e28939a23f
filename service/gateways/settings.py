"""The gateways in the settings, in order of preference. Half-given settings are refused, by name."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable
from typing import Any
from urllib.parse import urlsplit

from service.gateways.connections import AddressRule, is_this_machine, literal_address
from service.gateways.form_post import FormPostConfig, FormPostGateway
from service.operations.gateway import Gateway

GatewayConfig = FormPostConfig

_NAME = re.compile(r"[a-z0-9-]{1,30}")
_ACCOUNT = re.compile(r"[A-Za-z0-9_.-]{1,64}")
_TOKEN = re.compile(r"[!-~]{1,200}")
_SENDER = re.compile(r"\+[1-9][0-9]{6,14}|[0-9]{3,8}")

_REQUIRED = ("name", "kind", "base_url", "account", "token", "sender")
_OPTIONAL = ("previous_token", "receipts", "allow_private")

_FORMS = {
    "name": (_NAME, "1 to 30 of a-z, 0-9 and hyphen"),
    "kind": (re.compile("form-post"), "form-post"),
    "account": (_ACCOUNT, "letters, digits, dots, hyphens and underscores"),
    "token": (_TOKEN, "printable characters without spaces"),
    "previous_token": (_TOKEN, "printable characters without spaces"),
    # A sender that is a word cannot be answered, and a diver who cannot answer cannot stop the clock.
    "sender": (_SENDER, "a number that can be answered: +447700900000, or a short code"),
}


class GatewaySettingsError(ValueError):
    """The gateway settings cannot be used; the message names the gateway and the key, and holds no secret."""


def read_gateways(json_text: str, *, public_url: str) -> tuple[GatewayConfig, ...]:
    """Return the gateways in order of preference. Raises GatewaySettingsError."""
    _address("LINETENDER_PUBLIC_URL", public_url)
    try:
        entries = json.loads(json_text, object_pairs_hook=_without_repeats)
    except (ValueError, RecursionError) as fault:
        # The text holds tokens: only the place of the fault may be told.
        place = f" (line {fault.lineno})" if isinstance(fault, json.JSONDecodeError) else f": {fault}"
        raise GatewaySettingsError(f"LINETENDER_GATEWAYS is not JSON that can be read{place}") from None
    if not isinstance(entries, list) or not entries:
        raise GatewaySettingsError("LINETENDER_GATEWAYS must be a JSON list of at least one gateway")
    configs = tuple(_config(position, entry) for position, entry in enumerate(entries, start=1))
    for config in configs:
        if sum(other.name == config.name for other in configs) > 1:
            raise GatewaySettingsError(f"gateway {config.name}: name is used more than once")
    return configs


def open_gateways(configs: Iterable[GatewayConfig], public_url: str) -> tuple[Gateway, ...]:
    """Return the gateways ready to send, in the same order. Whoever opens them closes them.

    To be called in the process that will send, never before a fork: connections must not be shared.
    """
    return tuple(FormPostGateway(config, public_url=public_url) for config in configs)


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) < len(pairs):
        raise ValueError("a key is given twice in one gateway")
    return values


def _config(position: int, entry: object) -> GatewayConfig:
    if not isinstance(entry, dict):
        raise GatewaySettingsError(f"gateway number {position} is not a JSON object")
    label = f"gateway {entry['name']}" if _is_text(entry.get("name"), _NAME) else f"gateway number {position}"
    _check_keys(label, entry)
    _check_values(label, entry)
    allow_private = entry.get("allow_private", False)
    return FormPostConfig(
        name=entry["name"],
        base_url=_base_url(label, entry["base_url"], allow_private=allow_private),
        account=entry["account"],
        token=entry["token"],
        sender=entry["sender"],
        previous_token=entry.get("previous_token"),
        sends_receipts=entry.get("receipts", True),
        allow_private=allow_private,
    )


def _check_keys(label: str, entry: dict[str, Any]) -> None:
    for key in entry:
        if key not in _REQUIRED + _OPTIONAL:
            raise GatewaySettingsError(f"{label}: unknown key {key[:40]!r}")
    for key in _REQUIRED:
        if entry.get(key) in (None, ""):
            raise GatewaySettingsError(f"{label}: {key} is missing")


def _check_values(label: str, entry: dict[str, Any]) -> None:
    for key, (form, wanted) in _FORMS.items():
        if key in entry and not _is_text(entry[key], form):
            raise GatewaySettingsError(f"{label}: {key} must be {wanted}")
    for key in ("receipts", "allow_private"):
        if not isinstance(entry.get(key, False), bool):
            raise GatewaySettingsError(f"{label}: {key} must be true or false")


def _is_text(value: object, form: re.Pattern[str]) -> bool:
    return isinstance(value, str) and form.fullmatch(value) is not None


def _base_url(label: str, value: object, *, allow_private: bool) -> str:
    """Return the base URL without a slash at its end. Where a name leads is checked at each connection."""
    url = _address(f"{label}: base_url", value)
    parts = urlsplit(url)
    host = parts.hostname or ""
    loopback = is_this_machine(host)
    if parts.scheme != "https" and not (loopback or allow_private):
        raise GatewaySettingsError(f"{label}: base_url must be https, or the gateway must have allow_private")
    rule = AddressRule(clear_text=parts.scheme != "https", loopback=loopback, allow_private=allow_private)
    address = literal_address(host)
    if address is not None and not rule.permits(address):
        wanted = "be https outside a private network" if address.is_global else "have allow_private with it"
        raise GatewaySettingsError(f"{label}: base_url with this address must {wanted}")
    return url


def _address(label: str, value: object) -> str:
    wanted = f"{label} must be an address like https://texts.example.org, with no user, query or fragment"
    if not isinstance(value, str) or not re.fullmatch(r"https?://[!-~]+", value):
        raise GatewaySettingsError(wanted)
    try:
        parts = urlsplit(value)
        port = parts.port
    except ValueError:
        raise GatewaySettingsError(wanted) from None
    if not parts.hostname or port == 0 or set(value) & set("@?#"):
        raise GatewaySettingsError(wanted)
    return value.rstrip("/")
