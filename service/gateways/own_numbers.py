"""The numbers that the gateways in the settings send from, and call from."""

from __future__ import annotations

from collections.abc import Iterable

from service.gateways.form_post_config import FormPostConfig
from service.gateways.json_post import JsonPostConfig
from service.gateways.settings import GatewayConfig
from service.operations.gateway import OwnNumber


def own_numbers_of(configs: Iterable[GatewayConfig]) -> tuple[OwnNumber, ...]:
    """All that somebody may answer to by text, in the order of the gateways; e-mails are answered by nobody."""
    return tuple(one for config in configs for one in _of_one(config))


def _of_one(config: GatewayConfig) -> list[OwnNumber]:
    if not isinstance(config, FormPostConfig | JsonPostConfig):
        return []
    caller = config.call_sender if isinstance(config, FormPostConfig) else None
    numbers = dict.fromkeys(number for number in (config.sender, caller) if number is not None)
    return [OwnNumber(config.name, number, config.receiving_number) for number in numbers]
