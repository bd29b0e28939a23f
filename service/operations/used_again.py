"""An id under which a gateway brought one text, and now brings another: its counter began anew, and both count.

A gateway that is set up again after it lost its memory may number from one. What it brings then must not pass for what
it brought months ago: it hears that we have it, and a finish or a call for help would be gone.
"""

from __future__ import annotations

import hashlib
import logging
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

from service.operations.gateway import InboundText
from service.operations.own_numbers import phone_heard
from service.store.inbound import Brought

_LOG = logging.getLogger(__name__)

USED_AGAIN: Final = "inbound.id_used_again"
ID_KEPT: Final = 80  # characters of at most 100, so that there is room for what tells the texts apart


def is_another(text: InboundText, known: Brought | None, country: str | None) -> bool:
    """Whether it is another text than the one that its gateway brought under the same id.

    So is one whose namesake was erased: that was half a year ago, and nobody brings a text again after so long. Taken
    for the same, all that a gateway brings would be lost until its ids are past those of before.
    """
    if known is None:
        return False
    return known.body.strip() != text.body.strip() or phone_heard(known.sender, country) != phone_heard(
        text.sender, country
    )


def under_its_own_id(text: InboundText, told_apart_by: Sequence[str]) -> InboundText:
    """The text under an id that is made of the gateway's and of these words of it, so that it counts once, too."""
    _LOG.error(USED_AGAIN, extra={"gateway": text.gateway})
    digest = hashlib.sha256("\0".join(told_apart_by).encode("utf-8", errors="surrogatepass")).hexdigest()[:16]
    return replace(text, provider_id=f"{text.provider_id[:ID_KEPT]}.{digest}")
