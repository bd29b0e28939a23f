"""What the words and codes of calls in the form-post format mean to us, kept as data.

Sources: the words of CallStatus, https://www.twilio.com/docs/voice/api/call-resource (call status values) and, for
`initiated`, its status callback events; the error codes, https://www.twilio.com/docs/api/errors; the SIP response
codes that are about the number called, RFC 3261 section 21.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from service.operations.gateway import Blame, ReceiptState

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

CALL_BLAME_BY_CODE: Mapping[str, Blame] = MappingProxyType(
    {
        "13224": Blame.NUMBER,  # not a number that can be called
        "21201": Blame.NUMBER,  # number missing
        "21202": Blame.NUMBER,  # a premium number
        "13225": Blame.NO_ROUTE,  # the gateway blocks calls to this number
        "13227": Blame.NO_ROUTE,  # this account may not call that country
        "21203": Blame.NO_ROUTE,  # this account may not call abroad
        "21215": Blame.NO_ROUTE,  # this account may not call that country
        "21216": Blame.NO_ROUTE,  # the gateway blocks this call
        "21219": Blame.NO_ROUTE,  # a trial account calls verified numbers only
        "10001": Blame.GATEWAY,  # account not active
        "21205": Blame.GATEWAY,  # our address for the status is not one
        "21210": Blame.GATEWAY,  # this account may not call from our number
        "21213": Blame.GATEWAY,  # our number missing
        "10004": Blame.THROTTLED,  # too many calls at once
    }
)

NUMBER_BY_SIP = frozenset({"404", "410", "484", "604"})
"""RFC 3261 sections 21.4.5, 21.4.11, 21.4.22 and 21.6.3: not found, gone, address incomplete, does not exist."""
