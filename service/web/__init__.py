"""The pages, the endpoints of the gateways, and the API: Flask, no cookies, no JavaScript needed."""

from service.web.application import create_app

__all__ = ["create_app"]
