"""What the words and codes of calls in the form-post format mean to us, kept as data.

Sources: the words of CallStatus, https://www.twilio.com/docs/voice/api/call-resource (call status values) and, for
`initiated`, its status callback events; the SIP response codes that are about the number called, RFC 3261 section 21.
Error codes are in service.gateways.form_post_codes.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from service.operations.gateway import ReceiptState

if TYPE_CHECKING:
    from collections.abc import Mapping

CALL_NO_KEY = "call-no-key"
"""Somebody, or a machine, took the call and pressed nothing. Answered is not an answer."""
CALL_BUSY = "call-busy"
CALL_NO_ANSWER = "call-no-answer"
CALL_FAILED = "call-failed"
CALL_CANCELED = "call-canceled"

CALL_STATE_BY_WORD: Mapping[str, ReceiptState] = MappingProxyType(
    {
        "queued": ReceiptState.SENT,
        "initiated": ReceiptState.SENT,
        "ringing": ReceiptState.SENT,
        "in-progress": ReceiptState.SENT,
        "completed": ReceiptState.FAILED,
        "busy": ReceiptState.FAILED,
        "no-answer": ReceiptState.FAILED,
        "failed": ReceiptState.FAILED,
        "canceled": ReceiptState.FAILED,
    }
)

CALL_CODE_BY_WORD: Mapping[str, str] = MappingProxyType(
    {
        "completed": CALL_NO_KEY,
        "busy": CALL_BUSY,
        "no-answer": CALL_NO_ANSWER,
        "failed": CALL_FAILED,
        "canceled": CALL_CANCELED,
    }
)

NUMBER_BY_SIP = frozenset({"404", "410", "484", "604"})
"""RFC 3261 sections 21.4.5, 21.4.11, 21.4.22 and 21.6.3: not found, gone, address incomplete, does not exist."""
