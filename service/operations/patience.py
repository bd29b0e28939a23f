"""How long the receipt of an alarm is waited for."""

from __future__ import annotations

from datetime import timedelta
from typing import Final

from service.domain.people import Channel
from service.store.outbox import RECEIPT_WITHIN_MIN_S

RECEIPT_WITHIN_MIN: Final = timedelta(seconds=RECEIPT_WITHIN_MIN_S)
# A call rings 40 s, says twice what takes 40 s and waits for a key; then there is news of it, or none will come.
CALL_ENDS_WITHIN: Final = timedelta(minutes=4)


def receipt_within_s(channel: Channel, within: timedelta = RECEIPT_WITHIN_MIN) -> int:
    """How many seconds of the clock to wait after the handing over. Nobody is given up who still listens."""
    return int((max(within, CALL_ENDS_WITHIN) if channel is Channel.CALL else within).total_seconds())
