"""One text that two gateways bring: it counts once."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.operations.gateway import InboundText
from service.operations.own_numbers import phone_heard
from service.store import inbound
from service.store.inbound import Brought

SAME_WITHIN: Final = timedelta(minutes=2)
"""How far apart two gateways may bring one text.

Two ways from one number bring it within seconds, or a minute where a carrier is slow. The words of somebody who
writes them again later are a new text. Should both be sent within this time, and each reach us by another gateway
only, the second is lost: that is a LATE which counts once, so that the alarm comes sooner, or a finish, an SOS or an
answer, which say no more the second time.
"""


def same_text_of_another(session: Session, text: InboundText, country: str | None) -> int | None:
    """The id of the text that another gateway brought and that this one is; None when it is a new one.

    The same sender, receiver and words, but for space at the ends. A gateway that brings the same words again, under
    another id, brings a new text, so each text has at most one double by each gateway. Whoever asks keeps others from
    storing a text to this receiver until the end of the transaction.
    """
    return next((one.id for one in _same(session, text, country)), None)


def same_texts_of_others(session: Session, texts: Sequence[InboundText], country: str | None) -> list[int | None]:
    """As `same_text_of_another` for each of the texts that one gateway brought to one number."""
    if not texts or not _others_brought_any(session, texts):
        return [None for _ in texts]
    found: list[int | None] = []
    for text in texts:
        found.append(next((one.id for one in _same(session, text, country) if one.id not in found), None))
    return found


def _others_brought_any(session: Session, texts: Sequence[InboundText]) -> bool:
    came_at = [text.received_at for text in texts]
    since, until = min(came_at) - SAME_WITHIN, max(came_at) + SAME_WITHIN
    one = texts[0]
    return inbound.others_brought_any(session, gateway=one.gateway, receiver=one.receiver, since=since, until=until)


def _same(session: Session, text: InboundText, country: str | None) -> Iterator[Brought]:
    """Those that this text may be, the first that came first."""
    words = text.body.strip()
    candidates = inbound.by_others(
        session,
        gateway=text.gateway,
        receiver=text.receiver,
        words=words,
        since=text.received_at - SAME_WITHIN,
        until=text.received_at + SAME_WITHIN,
    )
    sender = phone_heard(text.sender, country) if candidates else ""
    for one in candidates:
        if one.body.strip() == words and phone_heard(one.sender, country) == sender:
            yield one
