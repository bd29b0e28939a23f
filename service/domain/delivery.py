"""What becomes of a message that a gateway may have: its states, and what each delivery receipt makes of each.

Delivered is not read: only a person's answer stops the search for the next contact. A receipt may hurry that search and
never slows it. Whatever a receipt changes here or not, it is kept as it came.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from types import MappingProxyType


class MessageState(StrEnum):
    """Where a message stands."""

    QUEUED = "queued"  # waits for a courier, also for its next try
    LEASED = "leased"  # in the hands of a courier
    HANDED = "handed"  # a gateway took it
    DELIVERED = "delivered"
    FAILED = "failed"
    EXPIRED = "expired"  # not sent any more: its dive closed, or it would have come too late


class ReceiptState(StrEnum):
    """Our few words for what a delivery receipt says, in rank order but for the last two."""

    SENT = "sent"  # on its way, no news of the handset
    DELIVERED = "delivered"
    FAILED = "failed"
    UNKNOWN = "unknown"  # a word we do not know: kept, loud, treated as not delivered


class Whose(StrEnum):
    """Which handing over a receipt speaks of."""

    THIS = "this"  # the one that the message stands on
    OLDER = "older"  # another: an attempt of which we had no answer, or an earlier gateway's


_S = MessageState
_STAYS: Mapping[MessageState, MessageState] = {state: state for state in _S}
_REACHED: Mapping[MessageState, MessageState] = dict.fromkeys(_S, _S.DELIVERED)

# Before our own commit a message is still leased, and no handing over is "this": such a receipt waits for the commit
# and is applied then. Twice is no more than once, since a state that is reached stays. Out of order: delivered wins
# over whatever came before it or comes after it, for the phone had the message. Failed then delivered: it arrived after
# all. Delivered then failed: kept, but a phone that had it had it; nobody waited for the receipt alone. After expiry or
# after close a text that was on its way may still arrive, and the record says so. Failed counts for the handing over
# that it speaks of and for no other: the message went out again since and that one may arrive. It counts too where the
# message waits to go by another gateway for want of that receipt: else it would be left with the one that failed. Sent
# is no news. A word that we do not know moves nothing, so that the message counts as unreached when its receipt is
# overdue.
_AFTER: Mapping[tuple[ReceiptState, Whose], Mapping[MessageState, MessageState]] = MappingProxyType(
    {
        (ReceiptState.SENT, Whose.THIS): _STAYS,
        (ReceiptState.SENT, Whose.OLDER): _STAYS,
        (ReceiptState.DELIVERED, Whose.THIS): _REACHED,
        (ReceiptState.DELIVERED, Whose.OLDER): _REACHED,
        (ReceiptState.FAILED, Whose.THIS): {**_STAYS, _S.HANDED: _S.FAILED, _S.QUEUED: _S.FAILED},
        (ReceiptState.FAILED, Whose.OLDER): _STAYS,
        (ReceiptState.UNKNOWN, Whose.THIS): _STAYS,
        (ReceiptState.UNKNOWN, Whose.OLDER): _STAYS,
    }
)


def after_receipt(state: MessageState, receipt: ReceiptState, whose: Whose) -> MessageState:
    """The state of a message after a receipt."""
    return _AFTER[receipt, whose][state]


def moved_by(receipt: ReceiptState, whose: Whose) -> tuple[MessageState, ...]:
    """The states that such a receipt moves a message out of."""
    return tuple(state for state in MessageState if after_receipt(state, receipt, whose) is not state)
