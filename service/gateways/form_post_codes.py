"""What the error codes, HTTP statuses and status words of the form-post format mean to us, kept as data.

Source of the codes: the public error list of the REST shape, https://www.twilio.com/docs/api/errors. What is in no
table, the caller reports loudly.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from service.gateways.answers import blame_of
from service.gateways.form_post_call_codes import CALL_BLAME_BY_CODE
from service.operations.gateway import Blame, ReceiptState

if TYPE_CHECKING:
    from collections.abc import Mapping

NO_ERROR = "0"
"""Some senders of this format write this code where there is no error."""

BLAME_BY_CODE: Mapping[str, Blame] = MappingProxyType(
    {
        "21211": Blame.NUMBER,  # not a valid number
        "21214": Blame.NUMBER,  # number cannot be reached
        "21217": Blame.NUMBER,  # number does not look valid
        "21610": Blame.OPTED_OUT,
        "21604": Blame.NUMBER,  # number missing
        "21612": Blame.NUMBER,  # no route from our sender to this number
        "21614": Blame.NUMBER,  # not a mobile number
        "21635": Blame.NUMBER,  # landline
        "30004": Blame.NUMBER,  # the receiving number blocks us
        "30005": Blame.NUMBER,  # unknown handset
        "30006": Blame.NUMBER,  # landline, or a carrier that cannot be reached
        "20003": Blame.GATEWAY,  # wrong account or token
        "20005": Blame.GATEWAY,  # account not active
        "20404": Blame.GATEWAY,  # no such account or address
        "21212": Blame.GATEWAY,  # sender is not a valid number
        "21408": Blame.GATEWAY,  # this account may not send to that country
        "21603": Blame.GATEWAY,  # sender missing
        "21606": Blame.GATEWAY,  # this account may not use our sender
        "21608": Blame.GATEWAY,  # a trial account sends to verified numbers only
        "30002": Blame.GATEWAY,  # account suspended, as without funds
        "20429": Blame.THROTTLED,  # too many requests
        "21611": Blame.THROTTLED,  # the sender's queue is full
        "30001": Blame.THROTTLED,  # queue overflow
        "21602": Blame.FILTERED,  # no words
        "21617": Blame.FILTERED,  # too long for this gateway
        "30007": Blame.FILTERED,  # a carrier took the wording for spam
        "30003": Blame.TRANSIENT,  # handset switched off or out of reach
        "30008": Blame.TRANSIENT,  # carrier gave no reason
        "30009": Blame.TRANSIENT,  # a segment got lost
        "30036": Blame.TRANSIENT,  # not delivered within its validity
    }
)

RECEIPT_STATE_BY_WORD: Mapping[str, ReceiptState] = MappingProxyType(
    {
        "accepted": ReceiptState.SENT,
        "scheduled": ReceiptState.SENT,
        "queued": ReceiptState.SENT,
        "sending": ReceiptState.SENT,
        "sent": ReceiptState.SENT,
        "delivered": ReceiptState.DELIVERED,
        "read": ReceiptState.DELIVERED,
        "undelivered": ReceiptState.FAILED,
        "failed": ReceiptState.FAILED,
        "canceled": ReceiptState.FAILED,
    }
)


def blame_for(code: str | None, status: int | None = None) -> Blame | None:
    """Return what a refusal is about, by code first, since it is the more exact. None: in no table."""
    return blame_of({**BLAME_BY_CODE, **CALL_BLAME_BY_CODE}, code, status)
