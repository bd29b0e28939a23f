"""The ways to people that the gateways in the settings carry together."""

from __future__ import annotations

from collections.abc import Iterable

from service.domain.people import Channel
from service.gateways.settings import GatewayConfig


def channels_of(configs: Iterable[GatewayConfig]) -> frozenset[Channel]:
    """What at least one of them carries: for another way no message is queued, since it would never leave."""
    return frozenset(channel for config in configs for channel in config.channels)
