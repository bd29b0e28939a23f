"""The headers of every answer: nothing from elsewhere, nothing kept, nothing told to the next site."""

from __future__ import annotations

from flask import Flask, Response, request

CONTENT_SECURITY_POLICY = (
    "default-src 'none'; object-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self';"
    " form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)

# The phone's position is asked for on the diver's page and in the form of a site, when its button is pressed, and
# nowhere else.
ASKS_WHERE = ("dive", "desk_site_editor")
NO_SENSORS = "geolocation=(), camera=(), microphone=(), payment=(), usb=()"
WITH_POSITION = NO_SENSORS.replace("geolocation=()", "geolocation=(self)")

STATIC_LASTS_S = 3600
_HTTPS_ONLY = "max-age=31536000"


def set_headers(app: Flask, *, https: bool) -> None:
    """Put the headers on every answer, errors among them."""

    @app.after_request
    def put(response: Response) -> Response:
        headers = response.headers
        headers["Content-Security-Policy"] = CONTENT_SECURITY_POLICY
        headers["Referrer-Policy"] = "no-referrer"
        headers["Permissions-Policy"] = WITH_POSITION if request.blueprint in ASKS_WHERE else NO_SENSORS
        headers["X-Robots-Tag"] = "noindex, nofollow"
        headers["X-Content-Type-Options"] = "nosniff"
        headers["Cross-Origin-Opener-Policy"] = "same-origin"
        headers["Cross-Origin-Resource-Policy"] = "same-origin"
        # A page of a dive must not be found in a cache after the phone changed hands.
        is_static = request.endpoint == "static" and response.status_code < 400  # noqa: PLR2004
        headers["Cache-Control"] = f"public, max-age={STATIC_LASTS_S}" if is_static else "no-store"
        if https:
            headers["Strict-Transport-Security"] = _HTTPS_ONLY
        return response
