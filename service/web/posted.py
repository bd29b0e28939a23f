"""Forms that gateways post to us: their fields just as they came, whether they are signed, and how one is refused."""

from __future__ import annotations

import logging
from urllib.parse import parse_qsl, quote, urlsplit

from flask import Response, abort, request

from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_inbound import SIGNATURE_HEADER, is_authentic
from service.gateways.posted_fields import MalformedInbound
from service.web.context import web

FORM_TYPE = "application/x-www-form-urlencoded"
FIELDS_MAX = 100

UNAUTHENTIC = "inbound.unauthentic"
MALFORMED = "inbound.malformed"

_log = logging.getLogger(__name__)

Pairs = list[tuple[str, str]]


def form_pairs() -> Pairs:
    """Every field in its order, nothing trimmed and nothing dropped: the signature covers them as they are."""
    if request.mimetype != FORM_TYPE:
        abort(415)
    body = request.get_data(cache=True)
    try:
        return parse_qsl(
            body.decode("utf-8", errors="surrogateescape"),
            keep_blank_values=True,
            max_num_fields=FIELDS_MAX,
            errors="surrogateescape",
        )
    except ValueError:
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


def malformed(config: FormPostConfig, fault: MalformedInbound) -> Response:
    """The answer to what is signed and yet cannot be read."""
    _log.warning(MALFORMED, extra={"gateway": config.name, "why": str(fault)})
    return refused(400, str(fault))
