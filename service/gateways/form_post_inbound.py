"""Reading what a form-post gateway posts to us: texts and delivery receipts, and whether they are authentic.

Signatures: base64 of HMAC-SHA1, keyed with the account's token, over the public URL followed by every form
field's name and value, sorted. They carry no time, so whoever stores a text must refuse its `provider_id` a
second time.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import urlsplit

from service.gateways.form_post_codes import NO_ERROR, RECEIPT_STATE_BY_WORD, blame_for
from service.gateways.form_post_config import FormPostConfig
from service.gateways.inbound_format import Doubt, Post
from service.gateways.posted_fields import (
    FORM_TYPE,
    PROVIDER_ID,
    SHORT_FIELD,
    MalformedInbound,
    Params,
    clean_pairs,
    form_pairs,
    only,
    raw_of,
    required,
)
from service.gateways.posted_words import body_within, receipt_of
from service.operations.gateway import DeliveryReceipt, InboundText

SIGNATURE_HEADER = "X-Twilio-Signature"
WRONG_SIGNATURE = "the signature is missing or wrong"

_DEFAULT_PORTS = {"http": 80, "https": 443}


@dataclass(frozen=True, slots=True)
class FormPostInbound:
    """The inbound side of one form-post gateway; `public_url` is the one of the settings."""

    config: FormPostConfig
    public_url: str

    @property
    def mimetype(self) -> str:
        """What its posts are."""
        return FORM_TYPE

    @property
    def taken(self) -> tuple[str, str]:
        """The empty answer that tells a gateway: we have it, send nothing back by yourself."""
        return "<Response/>", "text/xml; charset=utf-8"

    def doubt(self, post: Post) -> Doubt | None:
        """Say why it is not authentic; None when it is. Raises MalformedInbound for a form of too many fields."""
        header = post.headers.get(SIGNATURE_HEADER.lower())
        signed = is_authentic(self.config, self.public_url, post.target, form_pairs(post.body), header)
        return None if signed else Doubt(WRONG_SIGNATURE)

    def text(self, post: Post, received_at: datetime) -> InboundText:
        """Return the text that was posted. Raises MalformedInbound."""
        return read_text(self.config, form_pairs(post.body), received_at)

    def receipt(self, post: Post, received_at: datetime) -> DeliveryReceipt:
        """Return the receipt that was posted. Raises MalformedInbound."""
        return read_receipt(self.config, form_pairs(post.body), received_at)


def signature(token: str, url: str, params: Params) -> str:
    """Return the signature of a request to `url` with these form fields; a pair given twice counts once."""
    signed = url + "".join(name + value for name, value in sorted(set(params)))
    # A lone surrogate cannot come from an honest sender, but must not raise here.
    message = signed.encode("utf-8", errors="surrogatepass")
    return base64.b64encode(hmac.new(token.encode(), message, hashlib.sha1).digest()).decode("ascii")


def is_authentic(
    config: FormPostConfig, public_url: str, path_and_query: str, params: Params, header: str | None
) -> bool:
    """Whether the signature header was made with the gateway's token, or with its previous one.

    `public_url` is the one from the settings, since a Host header may be forged. `path_and_query` is raw, as
    it arrived, and `params` are all fields, with nothing trimmed.
    """
    given = (header or "").encode("utf-8", errors="surrogatepass")
    pairs = tuple(params)
    right = False
    for token in filter(None, (config.token, config.previous_token)):
        for base in _spellings(public_url.rstrip("/")):
            expected = signature(token, base + path_and_query, pairs).encode("ascii")
            # No early end, so that the time taken does not tell which one was right.
            right |= hmac.compare_digest(expected, given)
    return right


def read_text(config: FormPostConfig, params: Params, received_at: datetime) -> InboundText:
    """Return the text that was posted. Raises MalformedInbound, or ValueError if `received_at` is naive.

    A body of more than 1,600 characters is cut, and ends with words that say so.
    """
    pairs = clean_pairs(params, received_at)
    sender = required(pairs, "From", SHORT_FIELD)
    receiver = required(pairs, "To", SHORT_FIELD)
    provider_id = required(pairs, "MessageSid", PROVIDER_ID)
    whole = only(pairs, "Body")
    if whole is None:
        raise MalformedInbound("Body is missing")
    raw = raw_of(pairs)
    body = body_within(config.name, whole, raw, "Body")
    return InboundText(config.name, provider_id, sender, receiver, body, raw, received_at)


def read_receipt(config: FormPostConfig, params: Params, received_at: datetime) -> DeliveryReceipt:
    """Return the receipt that was posted. Raises MalformedInbound, or ValueError if `received_at` is naive.

    A status word or error code that is in no table is logged as an error; such a word gives state unknown.
    """
    pairs = clean_pairs(params, received_at)
    provider_id = required(pairs, "MessageSid", PROVIDER_ID)
    word = required(pairs, "MessageStatus", SHORT_FIELD)
    code = (only(pairs, "ErrorCode") or "").strip()[:40]
    return receipt_of(
        config.name,
        provider_id,
        word,
        code if code not in {"", NO_ERROR} else None,
        states=RECEIPT_STATE_BY_WORD,
        blame_for=blame_for,
        raw=raw_of(pairs),
        received_at=received_at,
    )


def _spellings(url: str) -> Sequence[str]:
    """Return the URL without its port and with one, its own or the default: gateways sign either."""
    parts = urlsplit(url)
    host = parts.netloc.removesuffix(f":{parts.port}")
    port = parts.port or _DEFAULT_PORTS[parts.scheme]
    return tuple(f"{parts.scheme}://{netloc}{parts.path}" for netloc in (host, f"{host}:{port}"))
