"""The gateways in the settings as whoever looks after them sees them: no addresses, no secrets."""

from __future__ import annotations

from collections.abc import Iterable

from service.gateways.form_post import FormPostConfig
from service.gateways.json_post import JsonPostConfig
from service.gateways.settings import GatewayConfig
from service.gateways.smtp import SmtpConfig
from service.operations.gateway import Described


def described(configs: Iterable[GatewayConfig]) -> tuple[Described, ...]:
    """What they are called, carry, and can tell of."""
    return tuple(_one(config) for config in configs)


def _one(config: GatewayConfig) -> Described:
    return Described(
        name=config.name,
        kind=_kind(config),
        channels=config.channels,
        sends_receipts=config.sends_receipts,
        has_canary=config.route.canary is not None,
    )


def _kind(config: GatewayConfig) -> str:
    match config:
        case FormPostConfig():
            return "form-post"
        case JsonPostConfig():
            return "json-post"
        case SmtpConfig():  # pragma: no branch - mypy sees that there is no fourth kind
            return "smtp"
