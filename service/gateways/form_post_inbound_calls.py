"""Reading what a form-post gateway posts about a call of ours: a key that was pressed, and how the call ended.

Sources: for the key https://www.twilio.com/docs/voice/twiml/gather (the request to `action`); for the end
https://www.twilio.com/docs/voice/api/call-resource (status callback). Whether they are authentic is told as for texts.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from datetime import datetime

from service.gateways.form_post import FormPostConfig
from service.gateways.form_post_call_codes import CALL_CODE_BY_WORD, CALL_STATE_BY_WORD, NUMBER_BY_SIP
from service.gateways.form_post_codes import NO_ERROR, blame_for
from service.gateways.posted_fields import PROVIDER_ID, SHORT_FIELD, Params, clean_pairs, only, raw_of, required
from service.gateways.posted_words import receipt_of
from service.operations.gateway import Blame, DeliveryReceipt, ReceiptState

_KEYS = re.compile(r"[0-9A-D*#]{1,20}")


@dataclass(frozen=True, slots=True)
class KeyPressed:
    """A key that somebody pressed in a call of ours."""

    provider_id: str
    key: str
    raw: dict[str, str]


def read_key(params: Params, received_at: datetime) -> KeyPressed:
    """Return the key that was posted. Raises MalformedInbound, or ValueError if `received_at` is naive."""
    pairs = clean_pairs(params, received_at)
    return KeyPressed(required(pairs, "CallSid", PROVIDER_ID), required(pairs, "Digits", _KEYS), raw_of(pairs))


def read_call_status(config: FormPostConfig, params: Params, received_at: datetime) -> DeliveryReceipt:
    """Return what was posted of a call as a receipt: however a call ends without a key, it reached nobody.

    A status word or error code that is in no table is logged as an error; such a word gives state unknown. Raises
    MalformedInbound, or ValueError if `received_at` is naive.
    """
    pairs = clean_pairs(params, received_at)
    provider_id = required(pairs, "CallSid", PROVIDER_ID)
    word = required(pairs, "CallStatus", SHORT_FIELD).lower()
    error = (only(pairs, "ErrorCode") or "").strip()[:40]
    receipt = receipt_of(
        config.name,
        provider_id,
        word,
        error if error not in {"", NO_ERROR} else None,
        states=CALL_STATE_BY_WORD,
        blame_for=blame_for,
        raw=raw_of(pairs),
        received_at=received_at,
    )
    sip = (only(pairs, "SipResponseCode") or "").strip()
    by_sip = Blame.NUMBER if receipt.state is ReceiptState.FAILED and sip in NUMBER_BY_SIP else None
    return replace(receipt, code=receipt.code or CALL_CODE_BY_WORD.get(word), blame=receipt.blame or by_sip)
