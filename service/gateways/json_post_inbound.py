"""Reading what a json-post gateway posts to us: texts, parts of long ones, and delivery receipts.

docs/home-gateway.md is the description of the format. The id of a text is the `webhook-id` that was signed with it:
whoever stores a text must refuse it a second time.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any, TypeGuard

from service.gateways.inbound_format import Doubt, Post
from service.gateways.json_post import JsonPostConfig
from service.gateways.json_post_codes import RECEIPT_STATE_BY_WORD, blame_for
from service.gateways.posted_fields import (
    PROVIDER_ID,
    SHORT_FIELD,
    MalformedInbound,
    clean_pairs,
    only,
    raw_of,
    required,
    storable,
)
from service.gateways.posted_words import body_within, receipt_of
from service.gateways.webhook_signing import ID_HEADER, TIMESTAMP_HEADER, doubt
from service.operations.gateway import DeliveryReceipt, InboundText, TextPart

PARTS_MAX = 255
"""Parts of one text: their number is one octet (3GPP TS 23.040 section 9.2.3.24.1)."""

_CODE_MAX = 40
_TEXTS = ("from", "to", "body", "id", "status", "code")

Pairs = list[tuple[str, str]]


@dataclass(frozen=True, slots=True)
class JsonPostInbound:
    """The inbound side of one json-post gateway."""

    config: JsonPostConfig

    @property
    def mimetype(self) -> str:
        """What its posts are."""
        return "application/json"

    @property
    def taken(self) -> tuple[str, str]:
        """The answer that says "we have it"."""
        return "{}", "application/json"

    def doubt(self, post: Post) -> Doubt | None:
        """Say why it is not authentic; None when it is."""
        secrets = [secret for secret in (self.config.secret, self.config.previous_secret) if secret is not None]
        return doubt(secrets, post.headers, post.body, post.real_at)

    def text(self, post: Post, received_at: datetime) -> InboundText:
        """Return the text that was posted. Raises MalformedInbound, or ValueError if `received_at` is naive."""
        document = _document(post.body)
        pairs = _pairs(document, post, received_at)
        whole = only(pairs, "body")
        if whole is None:
            raise MalformedInbound("body is missing")
        raw = raw_of(pairs)
        return InboundText(
            gateway=self.config.name,
            provider_id=required(pairs, ID_HEADER, PROVIDER_ID),
            sender=required(pairs, "from", SHORT_FIELD),
            receiver=required(pairs, "to", SHORT_FIELD),
            body=body_within(self.config.name, whole, raw, "body"),
            raw=raw,
            received_at=received_at,
            part=_part(document.get("part")),
            signed_at=datetime.fromtimestamp(int(required(pairs, TIMESTAMP_HEADER, SHORT_FIELD)), UTC),
        )

    def receipt(self, post: Post, received_at: datetime) -> DeliveryReceipt:
        """Return the receipt that was posted. Raises MalformedInbound, or ValueError if `received_at` is naive."""
        pairs = _pairs(_document(post.body), post, received_at)
        return receipt_of(
            self.config.name,
            required(pairs, "id", PROVIDER_ID),
            required(pairs, "status", SHORT_FIELD),
            (only(pairs, "code") or "").strip()[:_CODE_MAX] or None,
            states=RECEIPT_STATE_BY_WORD,
            blame_for=blame_for,
            raw=raw_of(pairs),
            received_at=received_at,
        )


def _document(body: bytes) -> dict[str, Any]:
    """The JSON object in a body. A damaged letter in it does not lose the text."""
    try:
        document = json.loads(body.decode("utf-8", errors="surrogateescape"), object_pairs_hook=_object)
    except MalformedInbound:
        raise
    except (ValueError, RecursionError):
        raise MalformedInbound("the body is not JSON") from None
    if not isinstance(document, dict):
        raise MalformedInbound("the body is not a JSON object")
    for name in _TEXTS:
        if not isinstance(document.get(name), str | None):
            raise MalformedInbound(f"{name} must be a text, in quotes")
    return document


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    values = dict(pairs)
    if len(values) < len(pairs):
        raise MalformedInbound("a name is given more than once in one object")
    return values


def _pairs(document: dict[str, Any], post: Post, received_at: datetime) -> Pairs:
    """The fields as they can be kept, and with them what was signed besides the body."""
    fields = [
        (name, value if isinstance(value, str) else json.dumps(value))
        for name, value in document.items()
        if value is not None and name not in (ID_HEADER, TIMESTAMP_HEADER)
    ]
    signed = [(name, post.headers.get(name, "")) for name in (ID_HEADER, TIMESTAMP_HEADER)]
    return clean_pairs(signed + fields, received_at)


def _part(value: Any) -> TextPart | None:
    """Which part of a long text it is; None for a whole one."""
    if value is None:
        return None
    if not isinstance(value, dict):
        raise MalformedInbound("part must be an object with reference, number and of")
    reference, number, of = value.get("reference"), value.get("number"), value.get("of")
    if isinstance(reference, bool) or not isinstance(reference, int | str):
        raise MalformedInbound("the reference of a part must be a number or a text")
    kept = storable(str(reference))
    if not SHORT_FIELD.fullmatch(kept):
        raise MalformedInbound("the reference of a part must be short")
    if not (_is_count(number) and _is_count(of) and number <= of):
        raise MalformedInbound(
            f"the number of a part must be from 1 to how many there are, which is {PARTS_MAX} at most"
        )
    return None if of == 1 else TextPart(kept, number, of)


def _is_count(value: Any) -> TypeGuard[int]:
    return isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= PARTS_MAX
