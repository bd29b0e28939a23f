"""What a delivery receipt makes of a message: every state, every word, every handing over."""

from __future__ import annotations

from itertools import product

import pytest

from service.domain.delivery import MessageState, ReceiptState, Whose, after_receipt, moved_by

QUEUED, LEASED, HANDED = MessageState.QUEUED, MessageState.LEASED, MessageState.HANDED
DELIVERED, FAILED, EXPIRED = MessageState.DELIVERED, MessageState.FAILED, MessageState.EXPIRED
SENT, UNKNOWN = ReceiptState.SENT, ReceiptState.UNKNOWN
SAYS_DELIVERED, SAYS_FAILED = ReceiptState.DELIVERED, ReceiptState.FAILED
THIS, OLDER = Whose.THIS, Whose.OLDER

EDGES = [
    pytest.param(HANDED, SENT, THIS, HANDED, id="on its way is no news"),
    pytest.param(HANDED, SAYS_DELIVERED, THIS, DELIVERED, id="delivered"),
    pytest.param(HANDED, SAYS_FAILED, THIS, FAILED, id="failed"),
    pytest.param(DELIVERED, SAYS_DELIVERED, THIS, DELIVERED, id="delivered twice"),
    pytest.param(FAILED, SAYS_FAILED, THIS, FAILED, id="failed twice"),
    pytest.param(DELIVERED, SENT, THIS, DELIVERED, id="out of order, sent after delivered"),
    pytest.param(FAILED, SENT, THIS, FAILED, id="out of order, sent after failed"),
    pytest.param(DELIVERED, SAYS_FAILED, THIS, DELIVERED, id="contradictory, delivered then failed"),
    pytest.param(FAILED, SAYS_DELIVERED, THIS, DELIVERED, id="contradictory, failed then delivered"),
    pytest.param(LEASED, SAYS_FAILED, OLDER, LEASED, id="failed before our own commit waits for it"),
    pytest.param(LEASED, SAYS_DELIVERED, OLDER, DELIVERED, id="delivered while it is being sent again"),
    pytest.param(QUEUED, SAYS_DELIVERED, OLDER, DELIVERED, id="delivered while it waits to be sent again"),
    pytest.param(QUEUED, SAYS_FAILED, OLDER, QUEUED, id="an older one failed, the next try is still to come"),
    pytest.param(QUEUED, SAYS_FAILED, THIS, FAILED, id="failed, while it waits for another gateway"),
    pytest.param(HANDED, SAYS_FAILED, OLDER, HANDED, id="an older one failed, this one may arrive"),
    pytest.param(HANDED, SAYS_DELIVERED, OLDER, DELIVERED, id="an older one arrived"),
    pytest.param(FAILED, SAYS_DELIVERED, OLDER, DELIVERED, id="given up, and an older one arrived"),
    pytest.param(EXPIRED, SAYS_DELIVERED, OLDER, DELIVERED, id="after expiry or close it arrives"),
    pytest.param(EXPIRED, SAYS_FAILED, THIS, EXPIRED, id="after expiry or close it fails"),
    pytest.param(HANDED, UNKNOWN, THIS, HANDED, id="a word that nobody knows is not delivered"),
    pytest.param(DELIVERED, UNKNOWN, THIS, DELIVERED, id="a word that nobody knows takes nothing back"),
]


@pytest.mark.parametrize(("state", "receipt", "whose", "then"), EDGES)
def test_each_dull_edge_has_its_state(
    state: MessageState, receipt: ReceiptState, whose: Whose, then: MessageState
) -> None:
    """Duplicate, out of order, contradictory, too early, too late, of another handing over, in unknown words."""
    assert after_receipt(state, receipt, whose) is then


def test_every_state_word_and_handing_over_has_an_answer() -> None:
    """None is left to chance, and no receipt puts a message back into the queue."""
    for state, receipt, whose in product(MessageState, ReceiptState, Whose):
        assert after_receipt(state, receipt, whose) in (state, DELIVERED, FAILED)


def test_the_order_of_receipts_for_one_handing_over_does_not_matter_once_one_says_delivered() -> None:
    """Whatever two others come before and after it."""
    for before, after in product(ReceiptState, ReceiptState):
        state = HANDED
        for receipt in (before, SAYS_DELIVERED, after):
            state = after_receipt(state, receipt, THIS)
        assert state is DELIVERED


def test_what_moves_nothing_is_told() -> None:
    """The store writes only where something moves."""
    assert moved_by(SENT, THIS) == moved_by(UNKNOWN, OLDER) == moved_by(SAYS_FAILED, OLDER) == ()
    assert moved_by(SAYS_FAILED, THIS) == (QUEUED, HANDED)
    assert moved_by(SAYS_DELIVERED, OLDER) == (QUEUED, LEASED, HANDED, FAILED, EXPIRED)
