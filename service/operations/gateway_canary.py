"""A marked test message through every gateway once a day, to a number of the operator's own.

A gateway that nobody has used since last week proves nothing until an alarm needs it.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable
from datetime import UTC, datetime, time, timedelta
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.grace import GracePeriods
from service.domain.people import Channel
from service.domain.wording.general import plain
from service.operations import service_log
from service.operations.breaking import note
from service.operations.gateway import Accepted, Gateway, Outcome, Outgoing, ReceiptState, Refused, Unknown
from service.operations.service import Service
from service.operations.telling_admins import tell_admins
from service.store import clubs, gateways, health, receipts
from service.store.gateways import SENDING, Canary

_LOG = logging.getLogger(__name__)

GOES_OUT_AT = time(9)  # local to the first club: nobody is woken by a test
VALID_FOR_S = 3_600.0
ANSWER_WITHIN_S = 60.0  # real seconds: a call takes 12 at most; who has not written its end by then died in it
QUICKER_BY = timedelta(minutes=5)
FAILED_CANARY = "gateway_canary_failed"


def look_after_canaries(service: Service, through: Iterable[Gateway]) -> int:
    """Send today's canaries where they are due, and tell admins of those that failed; how many were sent.

    Idempotent: one is claimed before it is sent, by gateway and day, so that of two at once one sends it.
    """
    with_canary = [gateway for gateway in through if gateway.route.canary]
    sent = 0
    for gateway in with_canary:
        canary_id = _claim(service, gateway.name)
        if canary_id is not None:
            _send(service, gateway, canary_id)
            sent += 1
    for gateway in with_canary:
        _tell_if_failed(service, gateway)
    return sent


def fault_of(canary: Canary, now: datetime, second: timedelta, *, sends_receipts: bool) -> str | None:
    """What is wrong with a canary, in words; None while all is well or there is time yet."""
    age = now - canary.sent_at
    code = f" ({canary.code})" if canary.code else ""
    if canary.outcome == SENDING:
        return "got no answer" if age >= ANSWER_WITHIN_S * second else None
    if canary.outcome == "failed":
        return f"was not delivered{code}"
    if canary.outcome != "accepted":
        return f"was not accepted{code}"
    late = sends_receipts and canary.delivered_at is None and age >= GracePeriods().receipt_within
    return "was accepted and not delivered" if late else None


def due_since(zone: str, now: datetime) -> datetime:
    """The last time that it became nine in the morning there."""
    local = now.astimezone(ZoneInfo(zone))
    day = local.date() if local.time() >= GOES_OUT_AT else local.date() - timedelta(days=1)
    return datetime.combine(day, GOES_OUT_AT, ZoneInfo(zone)).astimezone(UTC)


def _claim(service: Service, name: str) -> int | None:
    """The id of the canary that is now ours to send; None where today's has gone, or no club says when."""
    now = service.clock.now()

    def is_due(session: Session) -> bool:
        first = next(iter(clubs.listing(session)), None)
        last = gateways.last_canaries(session, [name]).get(name)
        return first is not None and (last is None or last.sent_at < due_since(first.zone, now))

    def claim(session: Session) -> int | None:
        gateways.lock(session, name)
        return gateways.begin_canary(session, name, now) if is_due(session) else None

    return service.write(claim) if service.read(is_due) else None


def _send(service: Service, gateway: Gateway, canary_id: int) -> None:
    to = gateway.route.canary or ""
    day = service.clock.now().date()
    words = f"TEST of gateway {gateway.name}, {day:%d.%m.%Y}. Sent once a day by itself. No dive is meant, do nothing."
    message = Outgoing(
        to=to,
        body=plain("Linetender", words),
        reference=f"canary-{canary_id}",
        channel=Channel.EMAIL if "@" in to else Channel.TEXT,
        subject=f"TEST of gateway {gateway.name}" if "@" in to else None,
        valid_for_s=VALID_FOR_S,
    )
    try:
        outcome = gateway.send(message)
    except Exception as error:  # noqa: BLE001 - a gateway whose code breaks is a gateway that fails
        _LOG.exception("gateway_raised", extra={"gateway": gateway.name})
        outcome = Unknown(f"the gateway's code raised {type(error).__name__}")
    service.write(lambda session: _record(service, session, gateway.name, canary_id, outcome))


def _record(service: Service, session: Session, name: str, canary_id: int, outcome: Outcome) -> None:
    now = service.clock.now()
    match outcome:
        case Accepted(provider_id):
            gateways.end_canary(session, canary_id, "accepted", None, None, provider_id)
            # A receipt may be quicker than we are.
            for receipt in receipts.waiting_for(session, name, provider_id, now - QUICKER_BY):
                state = ReceiptState(receipt.state)
                gateways.note_canary_receipt(session, name, provider_id, state, receipt.code, receipt.received_at)
        case Refused():
            gateways.end_canary(session, canary_id, "refused", outcome.code, outcome.detail, None)
        case Unknown():
            gateways.end_canary(session, canary_id, "unknown", None, outcome.detail, None)
    note(service, session, name, outcome, now)


def _tell_if_failed(service: Service, gateway: Gateway) -> None:
    now = service.clock.now()
    second = timedelta(seconds=clock_seconds(service.clock, 1.0))

    def fault(session: Session) -> tuple[Canary, str] | None:
        canary = gateways.last_canaries(session, [gateway.name]).get(gateway.name)
        if canary is None:
            return None
        words = fault_of(canary, now, second, sends_receipts=gateway.sends_receipts)
        told = health.heartbeat(session, _mark(gateway.name))
        return None if words is None or (told is not None and told.detail == str(canary.id)) else (canary, words)

    def tell(session: Session) -> None:
        gateways.lock(session, gateway.name)
        found = fault(session)
        if found is None:
            return
        canary, words = found
        health.beat(session, _mark(gateway.name), now, str(canary.id))
        detail = {"gateway": gateway.name, "canary": canary.id, "what": words, "code": canary.code}
        service_log.note(service, session, FAILED_CANARY, detail, now)
        told = f"the daily test through gateway {gateway.name} {words}. Please look before an alarm needs it."
        tell_admins(session, f"{FAILED_CANARY}-{canary.id}", told, now)

    if service.read(fault) is not None:
        service.write(tell)
        service.nudge()


def _mark(name: str) -> str:
    return f"told:canary:{name}"
