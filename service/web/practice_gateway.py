"""The practice gateway's own end: it takes texts and calls for phones and lists texts, as a real one would."""

from __future__ import annotations

import json
from datetime import UTC, datetime

from flask import Blueprint, Response, abort, request

from service.clock import clock_seconds
from service.gateways.practice import PracticeAnswer, answer_accepted, check_call, check_request, wrong_login
from service.gateways.practice_list import ListedText, list_document
from service.store import practice
from service.store.practice import FROM_PHONE, PracticeMessage
from service.web.access import Who, open_to
from service.web.context import web
from service.web.practice_calls import is_ours
from service.web.practice_line import PracticeLine

gateway = Blueprint("practice_gateway", __name__, url_prefix="/practice/gateway/2010-04-01/Accounts")


@gateway.post("/<account>/Messages.json")
@open_to(Who.GATEWAY)
def take_text(account: str) -> Response:
    """Take a text for a phone."""
    line = _line(account)
    asked = check_request(request.headers.get("Authorization"), account, line.config.token, request.form)
    return _answer(asked if isinstance(asked, PracticeAnswer) else answer_accepted(line.take(asked)))


@gateway.post("/<account>/Calls.json")
@open_to(Who.GATEWAY)
def take_call(account: str) -> Response:
    """Call a phone."""
    calls = web().practice_calls or abort(404)
    _line(account)
    asked = check_call(request.headers.get("Authorization"), account, calls.line.config.token, request.form)
    if isinstance(asked, PracticeAnswer):
        return _answer(asked)
    if not is_ours(asked):
        abort(400)
    return _answer(answer_accepted(calls.take(asked)))


@gateway.get("/<account>/Messages.json")
@open_to(Who.GATEWAY)
def list_texts(account: str) -> Response:
    """The texts that went both ways."""
    line = _line(account)
    wrong = wrong_login(request.headers.get("Authorization"), account, line.config.token)
    if wrong is not None:
        return _answer(wrong)
    texts = [_listed(text) for text in web().service.read(practice.all_texts)]
    document = list_document(texts, request.args.to_dict(), account)
    return Response(json.dumps(document), status=200, content_type="application/json")


def _line(account: str) -> PracticeLine:
    line = web().practice or abort(404)
    return line if account == line.config.account else abort(404)


def _listed(text: PracticeMessage) -> ListedText:
    return ListedText(
        sid=text.sid,
        sender=text.from_phone,
        receiver=text.to_phone,
        body=text.body,
        at=_by_the_wall(text.at),
        inbound=text.direction == FROM_PHONE,
        delivered=text.delivered,
    )


def _by_the_wall(at: datetime) -> datetime:
    """When that was by the wall clock: gateways go by it, while a demo's own may run faster."""
    clock = web().service.clock
    return datetime.now(UTC) - (clock.now() - at) / clock_seconds(clock, 1.0)


def _answer(answer: PracticeAnswer) -> Response:
    return Response(answer.body(), status=answer.status, content_type="application/json")
