"""Where gateways post texts and receipts: authentic, stored and committed, answered; only then read.

A gateway hears 200 only for what is in the database, or on the disk while that is away. What the text does is decided
after the answer has left, so that no gateway waits for it; if this process dies in between, a sweep finds the stored
text.
"""

from __future__ import annotations

import logging

from flask import Blueprint, Response, abort, request
from sqlalchemy.exc import SQLAlchemyError

from service.gateways.inbound_format import Doubt, InboundFormat, Post
from service.gateways.inbound_formats import inbound_format
from service.gateways.posted_fields import MalformedInbound
from service.gateways.settings import GatewayConfig
from service.web.access import Who, open_to
from service.web.context import web
from service.web.posted import UNAUTHENTIC, as_posted, malformed, refused

endpoints = Blueprint("inbound", __name__)

UNAUTHENTIC_BODY_MAX = 8 * 1024  # of what nobody signed, only small texts are worth keeping

NOT_KEPT = "inbound.unauthentic_not_kept"
WRONG_ADDRESS = "inbound.wrong_address"

_log = logging.getLogger(__name__)


@endpoints.post("/inbound/<gateway>/text")
@open_to(Who.GATEWAY)
def text(gateway: str) -> Response:
    """A text that somebody sent us, or a part of a long one."""
    config, inbound = _gateway(gateway)
    post, service = as_posted(inbound), web().service
    try:
        doubt = inbound.doubt(post)
    except MalformedInbound as fault:
        return malformed(config, fault)
    if doubt is not None:
        _keep_unauthentic(config, inbound, post, doubt)
        return refused(403, doubt.words)
    try:
        arrived = inbound.text(post, service.clock.now())
    except MalformedInbound as fault:
        _tell_of_unreadable(config, fault)
        return malformed(config, fault)
    stored = web().intake.text(arrived)
    response = _taken(inbound)
    if stored is not None:
        answer = web().answer
        response.call_on_close(lambda: answer(stored))
    return response


@endpoints.post("/inbound/<gateway>/receipt")
@open_to(Who.GATEWAY)
def receipt(gateway: str) -> Response:
    """What became of a text of ours."""
    config, inbound = _gateway(gateway)
    post, service = as_posted(inbound), web().service
    try:
        if doubt := inbound.doubt(post):
            _log.warning(UNAUTHENTIC, extra={"gateway": config.name, "what": "receipt", "why": doubt.words})
            return refused(403, doubt.words)
        arrived = inbound.receipt(post, service.clock.now())
    except MalformedInbound as fault:
        return malformed(config, fault)
    web().intake.receipt(arrived)
    return _taken(inbound)


def _gateway(name: str) -> tuple[GatewayConfig, InboundFormat]:
    config = web().gateway(name)
    inbound = inbound_format(config, web().settings.public_url)
    if config is not None and inbound is not None:
        return config, inbound
    signer = _whoever_signed()
    if signer is None:
        abort(404)
    _log.error(WRONG_ADDRESS, extra={"gateway": signer[0].name})
    return signer


def _whoever_signed() -> tuple[GatewayConfig, InboundFormat] | None:
    """The gateway of ours that signed what was posted to an address of none, as after one was given another name.

    It may be a finish: that our settings and the provider's do not agree must not lose it.
    """
    for config in web().gateways:
        inbound = inbound_format(config, web().settings.public_url)
        if inbound is None or request.mimetype != inbound.mimetype:
            continue
        try:
            if inbound.doubt(as_posted(inbound)) is None:
                return config, inbound
        except MalformedInbound:
            continue
    return None


def _keep_unauthentic(config: GatewayConfig, inbound: InboundFormat, post: Post, doubt: Doubt) -> None:
    """Log what cannot be believed, within bounds, so that strangers cannot fill the database."""
    now = web().service.clock.now()
    _log.warning(UNAUTHENTIC, extra={"gateway": config.name, "what": "text", "why": doubt.words})
    if len(post.body) > UNAUTHENTIC_BODY_MAX:
        return
    if not web().bounds.unauthentic_texts.take(config.name, now):
        return
    try:
        text = inbound.text(post, now)
        web().intake.unauthentic(text)
        if doubt.wrong_time:
            web().intake.wrong_clock(config.name, doubt.words)
        else:
            web().intake.doubted(text, doubt.words)
    except (MalformedInbound, SQLAlchemyError) as fault:
        _log.warning(NOT_KEPT, extra={"gateway": config.name, "why": type(fault).__name__})


def _tell_of_unreadable(config: GatewayConfig, fault: MalformedInbound) -> None:
    try:
        web().intake.unreadable(config.name, str(fault))
    except SQLAlchemyError as away:
        _log.warning(NOT_KEPT, extra={"gateway": config.name, "why": type(away).__name__})


def _taken(inbound: InboundFormat) -> Response:
    body, content_type = inbound.taken
    return Response(body, status=200, content_type=content_type)
