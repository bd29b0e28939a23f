"""What the error codes and status words of the form-post format mean to us, kept as data.

Source of the codes: the public error list of the REST shape, https://www.twilio.com/docs/api/errors, where each has a
page of its own. A receipt may carry the code of an answer and the other way round, so there is one table for both.
What is in no table is loud: in an answer it is tried again and by another gateway, in a receipt it counts as unreached.
In plain words for whoever keeps an installation: docs/gateway-errors.md, which a test holds to this table.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import TYPE_CHECKING

from service.gateways.answers import blame_of
from service.operations.gateway import Blame, ReceiptState

if TYPE_CHECKING:
    from collections.abc import Mapping

NO_ERROR = "0"
"""Some senders of this format write this code where there is no error."""

TEXT_ERRORS: tuple[tuple[str, Blame, str], ...] = (
    ("21211", Blame.NUMBER, "not a valid number"),
    ("21265", Blame.NUMBER, "a short code, which takes no texts"),
    ("21266", Blame.NUMBER, "our own number"),
    ("21268", Blame.NUMBER, "a premium or information number"),
    ("21604", Blame.NUMBER, "the number is missing"),
    ("21614", Blame.NUMBER, "not a mobile number"),
    ("21635", Blame.NUMBER, "a landline"),
    ("30004", Blame.NUMBER, "the phone or its carrier blocks us"),
    ("30005", Blame.NUMBER, "a number that is unknown or no longer in service"),
    ("30006", Blame.NUMBER, "a landline, or a carrier that cannot be reached"),
    ("21610", Blame.OPTED_OUT, "its owner has texted STOP"),
    ("21408", Blame.NO_ROUTE, "this account may not send to that country"),
    ("21608", Blame.NO_ROUTE, "a trial account sends to verified numbers only"),
    ("21612", Blame.NO_ROUTE, "no way from our sender to this number"),
    ("21659", Blame.NO_ROUTE, "our sender is of another country, or not of this gateway"),
    ("30034", Blame.NO_ROUTE, "our sender is not registered for that country"),
    ("20003", Blame.GATEWAY, "wrong account or token"),
    ("20005", Blame.GATEWAY, "the account is not active, as without funds"),
    ("20404", Blame.GATEWAY, "no such account or address"),
    ("21212", Blame.GATEWAY, "our sender is not a valid number"),
    ("21601", Blame.GATEWAY, "our sender is not a number of this account"),
    ("21603", Blame.GATEWAY, "our sender is missing"),
    ("21606", Blame.GATEWAY, "this account may not send from our number"),
    ("21609", Blame.GATEWAY, "our address for receipts is not one"),
    ("21660", Blame.GATEWAY, "our sender belongs to another account"),
    ("21661", Blame.GATEWAY, "our sender cannot send texts"),
    ("30002", Blame.GATEWAY, "the account is suspended, as without funds"),
    ("20429", Blame.THROTTLED, "too many requests"),
    ("21611", Blame.THROTTLED, "our sender's queue is full"),
    ("30001", Blame.THROTTLED, "the queue ran over"),
    ("30022", Blame.THROTTLED, "a carrier takes no more from us so fast"),
    ("63038", Blame.THROTTLED, "the account has sent all it may in a day"),
    ("21602", Blame.FILTERED, "no words"),
    ("21617", Blame.FILTERED, "too long for this gateway"),
    ("21658", Blame.FILTERED, "a field is too long for this gateway"),
    ("30007", Blame.FILTERED, "taken for spam"),
    ("30019", Blame.FILTERED, "too long for the carrier"),
    ("90007", Blame.FILTERED, "the time that it may wait is out of this gateway's bounds"),
    ("20503", Blame.TRANSIENT, "the gateway is not available for now"),
    ("21730", Blame.TRANSIENT, "the gateway is being worked on"),
    ("30003", Blame.TRANSIENT, "the phone is switched off or out of reach"),
    ("30008", Blame.TRANSIENT, "the carrier gave no reason"),
    ("30009", Blame.TRANSIENT, "a part got lost"),
    ("30036", Blame.TRANSIENT, "it waited at the gateway for longer than it was of use"),
    ("30410", Blame.TRANSIENT, "the gateway's own provider did not answer"),
)
"""Errors of texts, and those of the account as such: code, what it is about, and in words."""

CALL_ERRORS: tuple[tuple[str, Blame, str], ...] = (
    ("13224", Blame.NUMBER, "not a number that can be called"),
    ("21201", Blame.NUMBER, "the number is missing"),
    ("21202", Blame.NUMBER, "a premium number"),
    ("21214", Blame.NUMBER, "a number that cannot be reached"),
    ("21217", Blame.NUMBER, "a number that does not look valid"),
    ("13225", Blame.NO_ROUTE, "the gateway blocks calls to this number"),
    ("13227", Blame.NO_ROUTE, "this account may not call that country"),
    ("21203", Blame.NO_ROUTE, "this account may not call abroad"),
    ("21215", Blame.NO_ROUTE, "this account may not call that country"),
    ("21216", Blame.NO_ROUTE, "the gateway blocks this call"),
    ("21219", Blame.NO_ROUTE, "a trial account calls verified numbers only"),
    ("10001", Blame.GATEWAY, "the account is not active"),
    ("21205", Blame.GATEWAY, "our address for the status is not one"),
    ("21210", Blame.GATEWAY, "this account may not call from our number"),
    ("21213", Blame.GATEWAY, "our number is missing"),
    ("10004", Blame.THROTTLED, "too many calls at once"),
)
"""Errors of voice calls."""

BLAME_BY_CODE: Mapping[str, Blame] = MappingProxyType({code: blame for code, blame, _ in (*TEXT_ERRORS, *CALL_ERRORS)})

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
    return blame_of(BLAME_BY_CODE, code, status)
