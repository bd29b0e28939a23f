"""The gateways in the settings, in order of preference. Half-given settings are refused, by name."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from types import MappingProxyType
from typing import Any

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.gateways.entries import NAME, Entry, GatewaySettingsError, address, is_text
from service.gateways.form_post import FormPostConfig, FormPostGateway
from service.gateways.form_post_settings import read_form_post
from service.gateways.json_post import JsonPostConfig, JsonPostGateway
from service.gateways.json_post_settings import read_json_post
from service.gateways.smtp import SmtpConfig, SmtpGateway
from service.gateways.smtp_settings import read_smtp
from service.operations.gateway import Gateway

GatewayConfig = FormPostConfig | JsonPostConfig | SmtpConfig
"""One gateway as set up, of whichever kind: all have what a SetUp has."""

_READERS: Mapping[str, Callable[[Entry], GatewayConfig]] = MappingProxyType(
    {"form-post": read_form_post, "json-post": read_json_post, "smtp": read_smtp}
)


def read_gateways(json_text: str, *, public_url: str) -> tuple[GatewayConfig, ...]:
    """Return the gateways in order of preference. Raises GatewaySettingsError."""
    address("LINETENDER_PUBLIC_URL", public_url)
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
    _check_every_kind_is_carried(configs)
    return configs


def open_gateways(configs: Iterable[GatewayConfig], public_url: str) -> tuple[Gateway, ...]:
    """Return the gateways ready to send, in the same order. Whoever opens them closes them.

    To be called in the process that will send, never before a fork: connections must not be shared.
    """
    return tuple(_opened(config, public_url) for config in configs)


def _opened(config: GatewayConfig, public_url: str) -> Gateway:
    match config:
        case FormPostConfig():
            return FormPostGateway(config, public_url=public_url)
        case JsonPostConfig():
            return JsonPostGateway(config)
        case SmtpConfig():  # pragma: no branch - mypy sees that there is no fourth kind
            return SmtpGateway(config)


def _without_repeats(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) < len(pairs):
        raise ValueError("a key is given twice in one gateway")
    return values


def _config(position: int, values: object) -> GatewayConfig:
    if not isinstance(values, dict):
        raise GatewaySettingsError(f"gateway number {position} is not a JSON object")
    named = is_text(values.get("name"), NAME)
    entry = Entry(f"gateway {values['name']}" if named else f"gateway number {position}", values)
    for key in ("name", "kind"):
        if values.get(key) in (None, ""):
            raise GatewaySettingsError(f"{entry.label}: {key} is missing")
    entry.text("name", NAME, "1 to 30 of a-z, 0-9 and hyphen")
    read = _READERS.get(str(values["kind"]))
    if read is None:
        raise entry.wrong("kind", f"one of: {', '.join(_READERS)}")
    return read(entry)


def _check_every_kind_is_carried(configs: Iterable[GatewayConfig]) -> None:
    """A kind of message that no gateway is for would never leave, and nobody would hear of it before the alarm."""
    routes = [config.route for config in configs if Channel.TEXT in config.channels]
    if not routes:
        raise GatewaySettingsError(
            "LINETENDER_GATEWAYS: at least one gateway for texts is needed, since all answer by text"
        )
    for kind in MessageKind:
        if not any(kind in route.kinds or not route.kinds for route in routes):
            raise GatewaySettingsError(f"LINETENDER_GATEWAYS: no gateway is for {kind.name.lower()}")
