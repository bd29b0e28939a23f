"""One log line for each request: the route's template and never the path, since paths hold tokens."""

from __future__ import annotations

import logging
import time

from flask import Flask, Response, g, request

REQUEST_SERVED = "web.request"

_log = logging.getLogger(__name__)


def log_requests(app: Flask) -> None:
    """Log method, route, status and duration in milliseconds of every request."""

    @app.before_request
    def begin() -> None:
        g.began_s = time.monotonic()

    @app.after_request
    def end(response: Response) -> Response:
        route = request.url_rule.rule if request.url_rule is not None else "(no such route)"
        took_ms = round((time.monotonic() - g.began_s) * 1000, 1) if "began_s" in g else None
        facts = {"method": request.method, "route": route, "status": response.status_code, "took_ms": took_ms}
        _log.info(REQUEST_SERVED, extra=facts)
        return response
