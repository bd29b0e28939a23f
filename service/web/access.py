"""Who may use a route: every view says so, and one that does not is never served.

But at the desk (`service.web.desk.sitting`) there is no cookie and no session, so a browser carries no authority that
another site could borrow: the authority is in the path (a link), in a header (a token), or in a signature. That is why
only the forms of the desk have anti-forgery tokens. As a second line, what a browser says another site made it post is
refused.
"""

from __future__ import annotations

import hmac
import ipaddress
from collections.abc import Callable
from enum import StrEnum
from typing import Any, TypeVar

from flask import Flask, current_app, request
from werkzeug.exceptions import Forbidden

from service.web.context import web

View = TypeVar("View", bound=Callable[..., Any])

_MARK = "open_to"
FORWARDED_HEADERS = ("Forwarded", "X-Forwarded-For", "X-Real-Ip")


class Who(StrEnum):
    """Who may use a route."""

    ANYONE = "anyone"
    LINK_HOLDER = "link holder"  # the token in the path: of one person for one dive, or what an owner passed on
    GATEWAY = "gateway"  # a signature, or in practice an account and token
    SCRIPT = "script"  # a bearer token of a club
    ADMIN = "admin"  # a session of the desk
    BOARD = "board"  # a session of the desk, or a screen in the clubhouse; to look and nothing more
    OPERATOR = "operator"  # from this machine, or with the metrics token
    PRACTICE = "practice"  # anyone, in a demo; these routes exist only there


def open_to(who: Who) -> Callable[[View], View]:
    """Declare who may use a view."""

    def mark(view: View) -> View:
        setattr(view, _MARK, who)
        return view

    return mark


def who_may(app: Flask, endpoint: str) -> Who | None:
    """What the view of an endpoint declares; None when it declares nothing."""
    return getattr(app.view_functions[endpoint], _MARK, None)


def guard(app: Flask) -> None:
    """Refuse every endpoint that does not declare its users, and every post that another site brought about."""

    @app.before_request
    def refuse_undeclared() -> None:
        # Without an endpoint nothing of ours is reached: the answer is 404 or 405.
        if request.endpoint is not None and who_may(current_app, request.endpoint) is None:
            raise Forbidden

    @app.before_request
    def refuse_other_sites() -> None:
        if request.method == "POST" and request.headers.get("Sec-Fetch-Site") == "cross-site":
            raise Forbidden


def is_operator() -> bool:
    """Whether the request comes from this machine itself, or carries the metrics token where there is one.

    Behind a proxy that was not declared everybody looks like this machine, so what was forwarded does not count.
    """
    token = web().settings.metrics_token
    if token is not None:
        given = request.headers.get("Authorization", "")
        return hmac.compare_digest(given.encode(), f"Bearer {token}".encode())
    if web().settings.proxies == 0 and any(header in request.headers for header in FORWARDED_HEADERS):
        return False
    try:
        return ipaddress.ip_address(request.remote_addr or "").is_loopback
    except ValueError:
        return False
