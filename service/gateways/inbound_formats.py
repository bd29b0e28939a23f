"""Which inbound format a gateway speaks, by its kind."""

from __future__ import annotations

from service.gateways.form_post_config import FormPostConfig
from service.gateways.form_post_inbound import FormPostInbound
from service.gateways.inbound_format import InboundFormat
from service.gateways.json_post import JsonPostConfig
from service.gateways.json_post_inbound import JsonPostInbound
from service.gateways.settings import GatewayConfig


def inbound_format(config: GatewayConfig | None, public_url: str) -> InboundFormat | None:
    """Return the format of a gateway; None for one that posts nothing to us. `public_url` is that of the settings."""
    match config:
        case FormPostConfig():
            return FormPostInbound(config, public_url)
        case JsonPostConfig():
            return JsonPostInbound(config)
        case _:
            return None
