"""An id under which a gateway brought one text, and now brings another: its counter began anew, and both count.

A gateway that is set up again after it lost its memory may number from one. What it brings then must not pass for what
it brought months ago: it hears that we have it, and a finish or a call for help would be gone.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from service.clock import Clock, clock_seconds
from service.operations.gateway import InboundText
from service.operations.own_numbers import phone_heard
from service.store.inbound import Brought

_LOG = logging.getLogger(__name__)

USED_AGAIN: Final = "inbound.id_used_again"
ID_KEPT: Final = 80  # characters of at most 100, so that there is room for what tells the texts apart
REPEATED_FOR_S: Final = 86_400.0  # real seconds: docs/home-gateway.md has a gateway try for a day


def is_another(clock: Clock, text: InboundText, known: Brought | None, country: str | None) -> bool:
    """Whether it is another text than the one that its gateway brought under the same id.

    So is one whose namesake was erased: that was half a year ago, and nobody brings a text again after so long. Taken
    for the same, all that a gateway brings would be lost until its ids are past those of before.
    """
    if known is None:
        return False
    alike = known.body.strip() == text.body.strip()
    same_phone = phone_heard(known.sender, country) == phone_heard(text.sender, country)
    return not (alike and same_phone) or is_no_repeat(clock, text, known.received_at)


def is_no_repeat(clock: Clock, text: InboundText, first_at: datetime) -> bool:
    """Whether it comes later, in the very same words, than a gateway repeats itself.

    Of two texts one would be lost: an OUT is missed, and an SOS. A repeat that is taken for another is answered twice.
    Not where no time is signed: whoever has listened once could play an old OUT again, and end another dive by it.
    """
    late = text.received_at - first_at > timedelta(seconds=clock_seconds(clock, REPEATED_FOR_S))
    return late and text.signed_at is not None


def under_a_free_id(
    text: InboundText, told_apart_by: Sequence[str], is_anothers: Callable[[InboundText], bool]
) -> InboundText | None:
    """The text under an id that is no other's; None where it is a repeat under the one that it has.

    `is_anothers`: whether what is known under the id that is asked about is another text.
    """
    found = text
    while is_anothers(found):
        found = _under_its_own_id(text, told_apart_by)
        told_apart_by = (*told_apart_by, found.provider_id)
    return None if found is text else found


def _under_its_own_id(text: InboundText, told_apart_by: Sequence[str]) -> InboundText:
    """The text under an id that is made of the gateway's and of these words of it, so that it counts once, too."""
    _LOG.error(USED_AGAIN, extra={"gateway": text.gateway})
    digest = hashlib.sha256("\0".join(told_apart_by).encode("utf-8", errors="surrogatepass")).hexdigest()[:16]
    return replace(text, provider_id=f"{text.provider_id[:ID_KEPT]}.{digest}")
