"""What gateways post, in whichever format: a body within its limit, and a receipt in our few words."""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from datetime import datetime

from service.gateways.answers import UNKNOWN_ERROR_CODE
from service.gateways.posted_fields import BODY_CHARACTERS_MAX
from service.operations.gateway import Blame, DeliveryReceipt, ReceiptState

UNKNOWN_STATUS_WORD = "gateway.unknown_status_word"
INBOUND_TEXT_CUT = "gateway.inbound_text_cut"

CUT_NOTE = "linetender_characters_cut"
"""Key in `raw` under which is noted how many characters of a body were not kept."""

_log = logging.getLogger(__name__)


def body_within(gateway: str, whole: str, raw: dict[str, str], key: str) -> str:
    """Return the body, cut to its limit; what was cut is noted in `raw`, where the body stands under `key`.

    A body of more than 1,600 characters ends with words that say so: what is kept must never look like a whole text,
    least of all like a finish.
    """
    if len(whole) <= BODY_CHARACTERS_MAX:
        return whole
    room = BODY_CHARACTERS_MAX - 40
    characters_cut = len(whole) - room
    body = f"{whole[:room]} [cut here: {characters_cut} more characters]"
    raw |= {key: body, CUT_NOTE: str(characters_cut)}
    _log.warning(INBOUND_TEXT_CUT, extra={"gateway": gateway, "characters_cut": characters_cut})
    return body


def receipt_of(
    gateway: str,
    provider_id: str,
    word: str,
    code: str | None,
    *,
    states: Mapping[str, ReceiptState],
    blame_for: Callable[[str | None], Blame | None],
    raw: dict[str, str],
    received_at: datetime,
) -> DeliveryReceipt:
    """Return the receipt. A word or code that is in no table is logged as an error; such a word gives state unknown."""
    state = states.get(word.lower(), ReceiptState.UNKNOWN)
    if state is ReceiptState.UNKNOWN:
        _log.error(UNKNOWN_STATUS_WORD, extra={"gateway": gateway, "status_word": word})
    unrecognised = word if state is ReceiptState.UNKNOWN else None
    if code is not None and blame_for(code) is None:
        _log.error(UNKNOWN_ERROR_CODE, extra={"gateway": gateway, "code": code})
        unrecognised = unrecognised or code
    blame = blame_for(code) if state is ReceiptState.FAILED else None
    return DeliveryReceipt(gateway, provider_id, state, code, blame, raw, received_at, unrecognised)
