"""Where gateways post what happens in our calls: a key that was pressed, and how a call ended.

A key is an answer of a person, so it is in the database before anything is said back. The address names the message,
since a key may be pressed before we have heard under which id the gateway took the call; the signature covers it.
"""

from __future__ import annotations

import logging

from flask import Blueprint, Response, abort

from service.domain.people import ENGLISH
from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_calls import asking_xml, call_addresses, closing_xml
from service.gateways.form_post_inbound_calls import read_call_status, read_key
from service.gateways.posted_fields import MalformedInbound
from service.operations.calling import Pressed
from service.operations.spooling import KeyPress
from service.store import outbox
from service.web.access import Who, open_to
from service.web.context import web
from service.web.posted import UNAUTHENTIC, form_pairs, is_signed, malformed, refused

calls = Blueprint("inbound_calls", __name__)

# While the database is away nothing is known of the call: neither whether it was an alarm, nor in which language.
NOTED = Pressed("Your key is noted. If this was an alarm, also answer it by text. Thank you.", ENGLISH)

_log = logging.getLogger(__name__)


@calls.post("/inbound/<gateway>/call/<message_id>/key")
@open_to(Who.GATEWAY)
def key(gateway: str, message_id: str) -> Response:
    """A key that was pressed in a call of ours; the answer is spoken to whoever pressed it."""
    config, pairs, service = _gateway(gateway), form_pairs(), web().service
    if not is_signed(config, pairs):
        return _unauthentic(config, "key")
    now = service.clock.now()
    try:
        pressed = read_key(pairs, now)
    except MalformedInbound as fault:
        return malformed(config, fault)
    said = web().intake.key(KeyPress(message_id, pressed.key, config.name, pressed.provider_id, pressed.raw, now))
    return _xml(_spoken(config, message_id, said or NOTED))


@calls.post("/inbound/<gateway>/call/<message_id>/status")
@open_to(Who.GATEWAY)
def status(gateway: str, message_id: str) -> Response:  # noqa: ARG001 - the receipt goes by the id of the call
    """How a call of ours stands or ended."""
    config, pairs, service = _gateway(gateway), form_pairs(), web().service
    if not is_signed(config, pairs):
        return _unauthentic(config, "call status")
    try:
        receipt = read_call_status(config, pairs, service.clock.now())
    except MalformedInbound as fault:
        return malformed(config, fault)
    web().intake.receipt(receipt)
    return _xml("<Response/>")


def _gateway(name: str) -> FormPostConfig:
    config = web().gateway(name)
    return config if isinstance(config, FormPostConfig) else abort(404)


def _spoken(config: FormPostConfig, message_id: str, said: Pressed) -> str:
    message = web().service.read(lambda session: outbox.get(session, message_id)) if said.again else None
    if message is None:
        return closing_xml(said.words, said.language)
    at = call_addresses(web().settings.public_url, config.name, message_id)
    return asking_xml(f"{said.words} {message.body}", said.language, at.key)


def _unauthentic(config: FormPostConfig, what: str) -> Response:
    _log.warning(UNAUTHENTIC, extra={"gateway": config.name, "what": what})
    return refused(403, "the signature is missing or wrong")


def _xml(document: str) -> Response:
    return Response(document, status=200, content_type="text/xml; charset=utf-8")
