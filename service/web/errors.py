"""What went wrong, in plain words: a page for people, problem details (RFC 9457) for programs, a line for gateways."""

from __future__ import annotations

import logging
from http import HTTPStatus

from flask import Flask, Response, make_response, render_template, request
from sqlalchemy.exc import SQLAlchemyError
from werkzeug.exceptions import HTTPException, InternalServerError, MethodNotAllowed, ServiceUnavailable

from service.operations.spooling import SpoolError
from service.store.dives import UnreadableDive
from service.web.problems import problem

DATABASE_AWAY = "web.database_away"
VIEW_FAILED = "web.view_failed"
RETRY_AFTER_S = 5

_log = logging.getLogger(__name__)

_PAGES = {
    400: ("We could not read that", "Something in the request was damaged on its way. Go back and try again."),
    403: ("Not allowed", "This address is not for you, or your browser was sent here by another site."),
    404: ("Nothing here", "There is no page at this address. Check it against the text that you were sent."),
    405: ("Not that way", "This address does not take what was sent to it. Go back and use the buttons."),
    410: (
        "This link no longer opens anything",
        "A page closes a day after its dive is over. It may also be that a character of the address is missing.",
    ),
    413: ("Too much", "What was sent is larger than we take. Shorten it and send it again."),
    415: ("Not a form", "This address takes forms only."),
    429: ("Too many", "Too much came from there in a short time. Wait a little and try again."),
    500: ("A fault of ours", "This page could not be made. Clocks and alarms run apart from the pages and go on."),
    503: (
        "Not reachable just now",
        "Our database does not answer. Whether what you just sent was taken is not certain: try again in a moment.",
    ),
}


def answer_errors(app: Flask) -> None:
    """Answer every error, whoever asked, without a word of how we are built."""
    app.register_error_handler(HTTPException, _told)
    app.register_error_handler(SQLAlchemyError, _database_away)
    app.register_error_handler(SpoolError, _database_away)
    app.register_error_handler(UnreadableDive, _failed)
    app.register_error_handler(Exception, _failed)


def _database_away(error: Exception) -> Response:
    _log.error(DATABASE_AWAY, exc_info=error)
    response = _told(ServiceUnavailable())
    response.headers["Retry-After"] = str(RETRY_AFTER_S)
    return response


def _failed(error: Exception) -> Response:
    route = request.url_rule.rule if request.url_rule is not None else None
    _log.error(VIEW_FAILED, exc_info=error, extra={"route": route})
    return _told(InternalServerError())


def _told(error: HTTPException) -> Response:
    status = error.code or HTTPStatus.INTERNAL_SERVER_ERROR
    if request.path.startswith("/api/"):
        response = problem(status, _title(status))
    elif request.path.startswith("/inbound/") or request.path.startswith("/practice/gateway/"):
        response = make_response(_title(status), status, {"Content-Type": "text/plain; charset=utf-8"})
    else:
        title, words = _PAGES.get(status, (_title(status), "Go back and try again."))
        response = make_response(render_template("error.html", title=title, words=words), status)
    if isinstance(error, MethodNotAllowed) and error.valid_methods:
        response.headers["Allow"] = ", ".join(sorted(error.valid_methods))
    return response


def _title(status: int) -> str:
    try:
        return HTTPStatus(status).phrase
    except ValueError:
        return "Error"
