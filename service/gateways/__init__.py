"""Speaking to message providers, outwards and inwards; one set of files per wire format."""

from service.gateways.entries import GatewaySettingsError
from service.gateways.settings import GatewayConfig, open_gateways, read_gateways

__all__ = ["GatewayConfig", "GatewaySettingsError", "open_gateways", "read_gateways"]
