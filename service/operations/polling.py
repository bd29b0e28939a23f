"""Asking gateways for the texts that came in: what they did not post, or posted while nobody took it."""

from __future__ import annotations

import logging
from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.operations import service_log
from service.operations.gateway import Gateway, InboundText
from service.operations.inbound import LEFT_FOR_LATER, answer_text
from service.operations.receiving import Way, receive_text
from service.operations.service import Service
from service.operations.telling_admins import tell_admins
from service.store import inbound, polls

_LOG = logging.getLogger(__name__)

DUE_AFTER_S: Final = 45.0  # less than the minute between two asks, so that none is left out for coming a little early
OVERDUE_AFTER_S: Final = 150.0  # two asks were missed
CLAIMED_FOR_S: Final = 50.0  # asking takes 12 s at most; after a fault it also is the pause before the next try
OVERLAP_S: Final = 600.0  # a text may get into the list late, or behind others
BACK_MAX_S: Final = 12 * 3600.0  # after a long outage: what is older is for people to see to
LOUD_AFTER: Final = 3  # one that fails may be passing

FOUND: Final = "poll_found_text"
FAILED: Final = "poll_failed"
POLL_FAILED: Final = "gateway_list_unreadable"


def poll(service: Service, gateways: Iterable[Gateway], due_after_s: float = DUE_AFTER_S) -> int:
    """Ask each gateway that has a list, and that nobody has asked for so many real seconds; how many texts are new.

    What is found is stored and acted on as if it had been posted; what is known already is passed over. One that asks
    at a time: whoever else comes meanwhile does nothing.
    """
    return sum(_poll_one(service, gateway, due_after_s) for gateway in gateways if gateway.route.lists)


def _poll_one(service: Service, gateway: Gateway, due_after_s: float) -> int:
    now = service.clock.now()

    def before(seconds: float) -> datetime:
        return now - timedelta(seconds=clock_seconds(service.clock, seconds))

    claim = service.write(
        lambda session: polls.claim(
            session, gateway.name, now, read_before=before(due_after_s), until_at=before(-CLAIMED_FOR_S)
        )
    )
    if claim is None:
        return 0
    overlap = timedelta(seconds=clock_seconds(service.clock, OVERLAP_S))
    since = max((claim.read_to_at or now) - overlap, before(BACK_MAX_S))
    texts = gateway.recent_texts(since, now)
    if texts is None:
        _failed(service, gateway.name, now)
        return 0
    found = sum(_take(service, text) for text in _unknown(service, gateway.name, texts))
    # Not before all of it is stored: else a crash in between would lose the rest.
    service.write(lambda session: polls.done(session, gateway.name, now))
    return found


def _unknown(service: Service, gateway: str, texts: Iterable[InboundText]) -> list[InboundText]:
    listed = list(texts)
    ids = [text.provider_id for text in listed]
    known = service.read(lambda session: inbound.known(session, gateway, ids))
    return [text for text in listed if text.provider_id not in known]


def _take(service: Service, text: InboundText) -> bool:
    """Store one and act on it. Whether it is new: it may have been posted since it was listed."""
    inbound_id = receive_text(service, text, authentic=True, way=Way.LISTED)
    if inbound_id is None:
        return False
    # It should have been posted: more of these mean that the gateway cannot reach us, or was set up wrongly.
    _LOG.warning(FOUND, extra={"gateway": text.gateway, "inbound": inbound_id})
    try:
        answer_text(service, inbound_id)
    except Exception:  # noqa: BLE001 - the text is stored, so a sweep takes it up again
        _LOG.warning(LEFT_FOR_LATER, extra={"inbound": inbound_id})
    return True


def _failed(service: Service, gateway: str, now: datetime) -> None:
    faults = service.write(lambda session: polls.failed(session, gateway))
    if faults < LOUD_AFTER:
        _LOG.warning(FAILED, extra={"gateway": gateway, "in_a_row": faults})
        return
    _LOG.error(FAILED, extra={"gateway": gateway, "in_a_row": faults})
    if faults == LOUD_AFTER:
        service.write(lambda session: _tell(session, service, gateway, now))
        service.nudge()


def _tell(session: Session, service: Service, gateway: str, now: datetime) -> None:
    service_log.note(service, session, POLL_FAILED, {"gateway": gateway}, now)
    words = f"Linetender fault: the list of texts of gateway {gateway} cannot be read. Please look at the service."
    tell_admins(session, f"{POLL_FAILED}-{gateway}-{now:%Y%m%dT%H}", words, now)
