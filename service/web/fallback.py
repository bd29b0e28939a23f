"""The fallback process: takes what gateways bring while the web process does not, and needs no database for it.

It knows the same gateways and the same ways to prove who posts, at the same paths, and puts all of it on the disk.
"""

from __future__ import annotations

from flask import Blueprint, Flask, Response
from werkzeug.exceptions import HTTPException
from werkzeug.middleware.proxy_fix import ProxyFix

from service.gateways.settings import GatewayConfig
from service.operations.intake import Intake
from service.operations.service import Service
from service.operations.spooling import Spool, SpoolError
from service.settings import Settings
from service.web import access_log, inbound, inbound_calls
from service.web.access import Who, guard, open_to
from service.web.application import BODY_BYTES_MAX
from service.web.context import EXTENSION, Web, web
from service.web.errors import RETRY_AFTER_S
from service.web.posted import refused

signs = Blueprint("fallback", __name__)

PLAIN = "text/plain; charset=utf-8"


def create_fallback(service: Service, settings: Settings, gateways: tuple[GatewayConfig, ...], spool: Spool) -> Flask:
    """The application. Of the service only the clock is used: its database is never asked."""
    app = Flask("service.web.fallback", static_folder=None)
    app.config["MAX_CONTENT_LENGTH"] = BODY_BYTES_MAX
    app.extensions[EXTENSION] = Web(
        service, settings, gateways, Intake(service, spool, disk_only=True), _answered_later
    )
    access_log.log_requests(app)
    guard(app)
    app.register_error_handler(HTTPException, _told)
    app.register_error_handler(SpoolError, _not_kept)
    for blueprint in (inbound.endpoints, inbound_calls.calls, signs):
        app.register_blueprint(blueprint)
    if settings.proxies:
        hops = settings.proxies
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=hops, x_proto=hops, x_host=0)  # type: ignore[method-assign]
    return app


@signs.get("/healthz")
@open_to(Who.ANYONE)
def healthz() -> Response:
    """Whether the next text would be kept."""
    try:
        room = web().intake.has_room()
    except OSError as fault:
        return refused(503, f"the spool cannot be read: {fault.strerror}")
    return Response("up", content_type=PLAIN) if room else refused(503, "the spool is full")


def _told(error: HTTPException) -> Response:
    return refused(error.code or 500, error.name)


def _not_kept(_: SpoolError) -> Response:
    response = refused(503, "it cannot be kept: try again")
    response.headers["Retry-After"] = str(RETRY_AFTER_S)
    return response


def _answered_later(_: int) -> None:
    """Nothing is in the database from here; whoever brings it there has it answered."""
