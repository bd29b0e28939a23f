"""A gateway that signs with our secret and the wrong time: what it brings is refused, and its clock must be set."""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import partial

from sqlalchemy.orm import Session

from service.operations import service_log
from service.operations.service import Service
from service.operations.telling_admins import is_news, tell_admins

TOLD_AGAIN_AFTER = timedelta(days=1)
WRONG_CLOCK = "gateway_clock_wrong"


def note_wrong_clock(service: Service, gateway: str, doubt: str) -> None:
    """Log it and tell the admins, once a day for each gateway: an old post that is played again tells them no more."""
    service.write(partial(_note, service, gateway, doubt, service.clock.now()))
    service.nudge()


def _note(service: Service, gateway: str, doubt: str, now: datetime, session: Session) -> None:
    if not is_news(service, session, f"told:clock:{gateway}", now, TOLD_AGAIN_AFTER):
        return
    detail = {"gateway": gateway, "doubt": doubt}
    service_log.note(service, session, WRONG_CLOCK, detail, now, role="gateway", name=gateway)
    words = f"gateway {gateway} has a wrong clock, so that its texts are refused. Please set it."
    tell_admins(session, f"{WRONG_CLOCK}-{gateway}-{now:%Y%m%dT%H%M%S}", words, now)
