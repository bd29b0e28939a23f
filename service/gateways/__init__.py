"""Speaking to message providers, outwards and inwards; one set of files per wire format."""

from service.gateways.settings import GatewayConfig, GatewaySettingsError, open_gateways, read_gateways

__all__ = ["GatewayConfig", "GatewaySettingsError", "open_gateways", "read_gateways"]
