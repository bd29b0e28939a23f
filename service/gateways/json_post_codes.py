"""What the codes and status words of the json-post format mean to us, kept as data.

The format is ours and docs/home-gateway.md is its description: every code here is explained there. What is in no
table, the caller reports loudly.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from service.gateways.answers import blame_of
from service.operations.gateway import Blame, ReceiptState

if TYPE_CHECKING:
    from collections.abc import Mapping

NOT_FOUND = "not_found"
"""The only code that says of a message, when it is asked for, that it was never taken."""

BLAME_BY_CODE: Mapping[str, Blame] = MappingProxyType(
    {
        "invalid_number": Blame.NUMBER,
        "landline": Blame.NUMBER,
        "blocked": Blame.NUMBER,
        "opted_out": Blame.OPTED_OUT,
        "no_route": Blame.NO_ROUTE,
        "unauthorized": Blame.GATEWAY,
        "no_credit": Blame.GATEWAY,
        "no_sim": Blame.GATEWAY,
        "sender_not_allowed": Blame.GATEWAY,
        "not_supported": Blame.GATEWAY,
        "bad_request": Blame.GATEWAY,
        NOT_FOUND: Blame.GATEWAY,
        "too_fast": Blame.THROTTLED,
        "queue_full": Blame.THROTTLED,
        "empty": Blame.FILTERED,
        "too_long": Blame.FILTERED,
        "filtered": Blame.FILTERED,
        "no_coverage": Blame.TRANSIENT,
        "modem_busy": Blame.TRANSIENT,
        "expired": Blame.TRANSIENT,
        "not_delivered": Blame.TRANSIENT,
    }
)

RECEIPT_STATE_BY_WORD: Mapping[str, ReceiptState] = MappingProxyType(
    {
        "sent": ReceiptState.SENT,
        "delivered": ReceiptState.DELIVERED,
        "failed": ReceiptState.FAILED,
    }
)


def blame_for(code: str | None, status: int | None = None) -> Blame | None:
    """Return what a refusal is about, by code first, since it is the more exact. None: in no table."""
    return blame_of(BLAME_BY_CODE, code, status)
