"""Texts for a club that its gateway brings and that are refused: nobody who texts is heard, and only we can notice.

A token that was changed at the provider, or an address other than the one in the settings, makes every signature
wrong, while all that we send goes out as ever.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import partial

from sqlalchemy.orm import Session

from service.operations import service_log
from service.operations.gateway import InboundText
from service.operations.own_numbers import number_heard, receiving
from service.operations.service import Service
from service.operations.telling_admins import is_news, tell_admins

TOLD_AGAIN_AFTER = timedelta(days=1)
REFUSED, UNREADABLE = "texts_refused", "text_unreadable"


def note_refused(service: Service, text: InboundText, doubt: str) -> None:
    """A text that its gateway has not signed: the log says so and admins are told, once a day for each gateway.

    Only where it is for a club of ours: who posts at random does not know its number.
    """

    def is_for_us(session: Session) -> bool:
        return number_heard(text.receiver, receiving(session), service.own_numbers) is not None

    words = (
        f"texts by gateway {text.gateway} are refused: wrong signature. Nobody may be heard. See its token, address."
    )
    now = service.clock.now()
    told = service.write(
        lambda session: is_for_us(session) and _note(service, REFUSED, text.gateway, doubt, words, now, session)
    )
    if told:
        service.nudge()


def note_unreadable(service: Service, gateway: str, why: str) -> None:
    """A text that its gateway has signed and that has not what a text must have; told as `note_refused` tells."""
    words = f"gateway {gateway} brought a text that cannot be read. Who wrote it waits: see its own list of texts."
    if service.write(partial(_note, service, UNREADABLE, gateway, why, words, service.clock.now())):
        service.nudge()


def _note(service: Service, kind: str, gateway: str, why: str, words: str, now: datetime, session: Session) -> bool:
    if not is_news(service, session, f"told:{kind}:{gateway}", now, TOLD_AGAIN_AFTER):
        return False
    service_log.note(service, session, kind, {"gateway": gateway, "why": why}, now, role="gateway", name=gateway)
    tell_admins(session, f"{kind}-{gateway}-{now:%Y%m%dT%H%M%S}", words, now)
    return True
