"""What gateways post to us, just as it came; whether a form is signed, and how a post is refused."""

from __future__ import annotations

import logging
from urllib.parse import quote, urlsplit

from flask import Response, abort, request

from service.gateways import posted_fields as fields
from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_inbound import SIGNATURE_HEADER, is_authentic
from service.gateways.inbound_format import InboundFormat, Post
from service.gateways.posted_fields import FORM_TYPE, MalformedInbound
from service.gateways.settings import GatewayConfig
from service.web.context import web

UNAUTHENTIC = "inbound.unauthentic"
MALFORMED = "inbound.malformed"

_log = logging.getLogger(__name__)

Pairs = list[tuple[str, str]]


def as_posted(inbound: InboundFormat) -> Post:
    """This request, for the format that its gateway speaks; 415 for what that format never posts."""
    if request.mimetype != inbound.mimetype:
        abort(415)
    headers = {name.lower(): value for name, value in request.headers.items()}
    return Post(raw_target(), headers, request.get_data(cache=True), web().wall.now())


def form_pairs() -> Pairs:
    """The fields of a form, just as they came."""
    if request.mimetype != FORM_TYPE:
        abort(415)
    try:
        return fields.form_pairs(request.get_data(cache=True))
    except MalformedInbound:
        abort(400)


def is_signed(config: FormPostConfig, pairs: Pairs) -> bool:
    """Whether the form is signed by this gateway."""
    signature = request.headers.get(SIGNATURE_HEADER)
    return is_authentic(config, web().settings.public_url, raw_target(), pairs, signature)


def raw_target() -> str:
    """Path and query just as they came over the wire, where the server tells; a proxy may send the whole address."""
    raw = str(request.environ.get("RAW_URI") or request.environ.get("REQUEST_URI") or "")
    if raw.startswith(("http://", "https://")):
        parts = urlsplit(raw)
        raw = f"{parts.path}?{parts.query}" if parts.query else parts.path
    if raw.startswith("/"):
        return raw
    query = request.query_string.decode("latin-1")
    return quote(request.path) + (f"?{query}" if query else "")


def refused(status: int, words: str) -> Response:
    """The answer to what is not taken."""
    return Response(words, status=status, content_type="text/plain; charset=utf-8")


def malformed(config: GatewayConfig, fault: MalformedInbound) -> Response:
    """The answer to what cannot be read."""
    _log.warning(MALFORMED, extra={"gateway": config.name, "why": str(fault)})
    return refused(400, str(fault))
