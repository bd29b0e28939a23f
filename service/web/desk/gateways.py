"""How each gateway stands, for admins: working or not and why, the last test, and what it did in a day."""

from __future__ import annotations

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from service.gateways.describing import described
from service.operations.admin_roles import AdminRole
from service.operations.gateway_health import FAULTY, gateway_health
from service.web.context import web
from service.web.desk.sitting import at_desk, desk
from service.web.message_words import CHANNEL_WORDS

pages = Blueprint("desk_gateways", __name__)


@pages.get("/admin/gateways")
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """All gateways in the order of preference, with reasons where one is not well."""
    service = web().service
    return render_template(
        "desk/gateways.html",
        gateways=gateway_health(service, described(web().gateways)),
        faulty=FAULTY,
        channels=CHANNEL_WORDS,
        zone=desk().admin.zone,
        now=service.clock.now(),
    )
