"""Putting the web process together."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial

from flask import Flask
from werkzeug.middleware.proxy_fix import ProxyFix

from service.gateways.form_post import FormPostConfig
from service.gateways.settings import GatewayConfig
from service.operations.answering import answer_quietly
from service.operations.intake import Intake
from service.operations.service import Service
from service.operations.spooling import Spool
from service.settings import Settings
from service.web import (
    access_log,
    alarm_page,
    api_sites,
    api_views,
    contact_page,
    dive_page,
    errors,
    handover_page,
    headers,
    health_views,
    home,
    inbound,
    inbound_calls,
    join_page,
    plan_page,
    practice,
    practice_gateway,
    speaking,
)
from service.web.access import Who, guard, open_to, who_may
from service.web.context import EXTENSION, Web
from service.web.desk.blueprints import set_up_desk
from service.web.practice_calls import PracticeCalls
from service.web.practice_line import GATEWAY_NAME, PracticeLine

BODY_BYTES_MAX = 64 * 1024

_BLUEPRINTS = (
    home.pages,
    plan_page.pages,
    join_page.pages,
    dive_page.pages,
    alarm_page.pages,
    handover_page.pages,
    contact_page.pages,
    inbound.endpoints,
    inbound_calls.calls,
    api_views.api,
    api_sites.sites_api,
    health_views.signs,
)


class UndeclaredRouteError(RuntimeError):
    """A view does not say who may use it; the process must not serve it."""


def create_app(
    service: Service,
    settings: Settings,
    gateways: tuple[GatewayConfig, ...],
    spool: Spool | None = None,
    answer: Callable[[int], None] | None = None,
) -> Flask:
    """The web application. It connects to nothing by itself, so it may be made before a fork.

    `spool` is where it keeps what gateways bring while the database is away; without one they are asked to try again.
    `answer` has a text answered that is stored; without one it is done by the thread that took the text.
    Raises UndeclaredRouteError for a view that does not say who may use it.
    """
    app = Flask("service.web", static_folder="static", template_folder="templates")
    app.config["MAX_CONTENT_LENGTH"] = BODY_BYTES_MAX
    app.config["MAX_FORM_PARTS"] = 200
    app.jinja_env.filters |= speaking.FILTERS
    app.jinja_env.trim_blocks = app.jinja_env.lstrip_blocks = True
    line = _practice_line(service, settings, gateways)
    calls = None if line is None else PracticeCalls(line)
    here = answer or partial(answer_quietly, service)
    app.extensions[EXTENSION] = Web(service, settings, gateways, Intake(service, spool), here, line, calls)
    access_log.log_requests(app)
    guard(app)
    headers.set_headers(app, https=settings.public_url.startswith("https:"))
    errors.answer_errors(app)
    app.view_functions["static"] = open_to(Who.ANYONE)(app.view_functions["static"])
    for blueprint in _BLUEPRINTS:
        app.register_blueprint(blueprint)
    set_up_desk(app)
    if settings.demo:
        app.register_blueprint(practice.phones)
        app.register_blueprint(practice_gateway.gateway)
        app.context_processor(lambda: {"demo": True})
    _refuse_undeclared(app)
    if settings.proxies:
        hops = settings.proxies
        # The host is never believed: addresses are built from the public URL of the settings.
        app.wsgi_app = ProxyFix(app.wsgi_app, x_for=hops, x_proto=hops, x_host=0)  # type: ignore[method-assign]
    return app


def _practice_line(service: Service, settings: Settings, gateways: tuple[GatewayConfig, ...]) -> PracticeLine | None:
    config = next((gateway for gateway in gateways if gateway.name == GATEWAY_NAME), None)
    if not settings.demo or not isinstance(config, FormPostConfig):
        return None
    return PracticeLine(service, config, settings.public_url)


def _refuse_undeclared(app: Flask) -> None:
    undeclared = sorted(endpoint for endpoint in app.view_functions if who_may(app, endpoint) is None)
    if undeclared:
        raise UndeclaredRouteError(f"these views do not say who may use them: {', '.join(undeclared)}")
