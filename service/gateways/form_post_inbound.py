"""Reading what a form-post gateway posts to us: texts and delivery receipts, and whether they are authentic.

Signatures: base64 of HMAC-SHA1, keyed with the account's token, over the public URL followed by every form
field's name and value, sorted. They carry no time, so whoever stores a text must refuse its `provider_id` a
second time.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import logging
from collections.abc import Sequence
from datetime import datetime
from urllib.parse import urlsplit

from service.gateways.answers import UNKNOWN_ERROR_CODE
from service.gateways.form_post_codes import NO_ERROR, RECEIPT_STATE_BY_WORD, blame_for
from service.gateways.form_post_config import FormPostConfig
from service.gateways.posted_fields import (
    BODY_CHARACTERS_MAX,
    PROVIDER_ID,
    SHORT_FIELD,
    MalformedInbound,
    Params,
    clean_pairs,
    only,
    raw_of,
    required,
)
from service.operations.gateway import DeliveryReceipt, InboundText, ReceiptState

SIGNATURE_HEADER = "X-Twilio-Signature"
UNKNOWN_STATUS_WORD = "gateway.unknown_status_word"
INBOUND_TEXT_CUT = "gateway.inbound_text_cut"

CUT_NOTE = "linetender_characters_cut"
"""Key in `raw` under which is noted how many characters of a body were not kept."""

_DEFAULT_PORTS = {"http": 80, "https": 443}

_log = logging.getLogger(__name__)


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

    A body of more than 1,600 characters is cut, the cut is noted in `raw`, and the body ends with words that
    say so: what is kept must never look like a whole text, least of all like a finish.
    """
    pairs = clean_pairs(params, received_at)
    sender = required(pairs, "From", SHORT_FIELD)
    receiver = required(pairs, "To", SHORT_FIELD)
    provider_id = required(pairs, "MessageSid", PROVIDER_ID)
    whole = only(pairs, "Body")
    if whole is None:
        raise MalformedInbound("Body is missing")
    raw = raw_of(pairs)
    body, characters_cut = _cut(whole)
    if characters_cut:
        raw |= {"Body": body, CUT_NOTE: str(characters_cut)}
        _log.warning(INBOUND_TEXT_CUT, extra={"gateway": config.name, "characters_cut": characters_cut})
    return InboundText(config.name, provider_id, sender, receiver, body, raw, received_at)


def read_receipt(config: FormPostConfig, params: Params, received_at: datetime) -> DeliveryReceipt:
    """Return the receipt that was posted. Raises MalformedInbound, or ValueError if `received_at` is naive.

    A status word or error code that is in no table is logged as an error; such a word gives state unknown.
    """
    pairs = clean_pairs(params, received_at)
    provider_id = required(pairs, "MessageSid", PROVIDER_ID)
    word = required(pairs, "MessageStatus", SHORT_FIELD)
    state = RECEIPT_STATE_BY_WORD.get(word.lower(), ReceiptState.UNKNOWN)
    if state is ReceiptState.UNKNOWN:
        _log.error(UNKNOWN_STATUS_WORD, extra={"gateway": config.name, "status_word": word})
    code = (only(pairs, "ErrorCode") or "").strip()[:40]
    known_code = code if code not in {"", NO_ERROR} else None
    blame = blame_for(known_code) if state is ReceiptState.FAILED else None
    if known_code is not None and blame_for(known_code) is None:
        _log.error(UNKNOWN_ERROR_CODE, extra={"gateway": config.name, "code": known_code})
    return DeliveryReceipt(config.name, provider_id, state, known_code, blame, raw_of(pairs), received_at)


def _spellings(url: str) -> Sequence[str]:
    """Return the URL without its port and with one, its own or the default: gateways sign either."""
    parts = urlsplit(url)
    host = parts.netloc.removesuffix(f":{parts.port}")
    port = parts.port or _DEFAULT_PORTS[parts.scheme]
    return tuple(f"{parts.scheme}://{netloc}{parts.path}" for netloc in (host, f"{host}:{port}"))


def _cut(body: str) -> tuple[str, int]:
    """Return the body within its limit, ending in a note if it was cut, and how many characters were cut."""
    if len(body) <= BODY_CHARACTERS_MAX:
        return body, 0
    room = BODY_CHARACTERS_MAX - 40
    return f"{body[:room]} [cut here: {len(body) - room} more characters]", len(body) - room
