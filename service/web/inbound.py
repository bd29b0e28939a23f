"""Where gateways post texts and receipts: authentic, stored and committed, answered; only then read.

A gateway hears 200 only for what is in the database. What the text does is decided after the answer has left, so that
no gateway waits for it; if this process dies in between, a sweep finds the stored text.
"""

from __future__ import annotations

import logging

from flask import Blueprint, Response, abort, request
from sqlalchemy.exc import SQLAlchemyError

from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_inbound import read_receipt, read_text
from service.gateways.posted_fields import MalformedInbound
from service.operations.inbound import answer_text, receive_text
from service.operations.receipts import receive_receipt
from service.operations.service import Service
from service.web.access import Who, open_to
from service.web.context import web
from service.web.posted import UNAUTHENTIC, Pairs, form_pairs, is_signed, malformed, refused

endpoints = Blueprint("inbound", __name__)

UNAUTHENTIC_BODY_MAX = 8 * 1024  # of what nobody signed, only small texts are worth keeping

NOT_ANSWERED = "inbound.not_answered_yet"
NOT_KEPT = "inbound.unauthentic_not_kept"

_log = logging.getLogger(__name__)


@endpoints.post("/inbound/<gateway>/text")
@open_to(Who.GATEWAY)
def text(gateway: str) -> Response:
    """A text that somebody sent us."""
    config, pairs, service = _gateway(gateway), form_pairs(), web().service
    if not is_signed(config, pairs):
        _keep_unauthentic(config, pairs)
        return refused(403, "the signature is missing or wrong")
    try:
        arrived = read_text(config, pairs, service.clock.now())
    except MalformedInbound as fault:
        return malformed(config, fault)
    stored = receive_text(service, arrived, authentic=True)
    response = _taken()
    if stored is not None:
        response.call_on_close(lambda: _answer(service, stored))
    return response


@endpoints.post("/inbound/<gateway>/receipt")
@open_to(Who.GATEWAY)
def receipt(gateway: str) -> Response:
    """What became of a text of ours."""
    config, pairs, service = _gateway(gateway), form_pairs(), web().service
    if not is_signed(config, pairs):
        _log.warning(UNAUTHENTIC, extra={"gateway": config.name, "what": "receipt"})
        return refused(403, "the signature is missing or wrong")
    try:
        arrived = read_receipt(config, pairs, service.clock.now())
    except MalformedInbound as fault:
        return malformed(config, fault)
    receive_receipt(service, arrived)
    return _taken()


def _gateway(name: str) -> FormPostConfig:
    return web().gateway(name) or abort(404)


def _keep_unauthentic(config: FormPostConfig, pairs: Pairs) -> None:
    """Log what nobody signed, within bounds, so that strangers cannot fill the database."""
    service = web().service
    now = service.clock.now()
    _log.warning(UNAUTHENTIC, extra={"gateway": config.name, "what": "text"})
    if (request.content_length or 0) > UNAUTHENTIC_BODY_MAX:
        return
    if not web().bounds.unauthentic_texts.take(config.name, now):
        return
    try:
        receive_text(service, read_text(config, pairs, now), authentic=False)
    except (MalformedInbound, SQLAlchemyError) as fault:
        _log.warning(NOT_KEPT, extra={"gateway": config.name, "why": type(fault).__name__})


def _answer(service: Service, inbound_id: int) -> None:
    try:
        answer_text(service, inbound_id)
    except Exception:  # noqa: BLE001 - whatever it is, the answer to the gateway has left already
        # The text is stored, so a sweep takes it up again.
        _log.exception(NOT_ANSWERED, extra={"inbound": inbound_id})


def _taken() -> Response:
    """The empty answer that tells a gateway: we have it, send nothing back by yourself."""
    return Response("<Response/>", status=200, content_type="text/xml; charset=utf-8")
