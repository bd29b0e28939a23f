"""The sweep: finds every dive whose moment has come and lets the clock act on it, in batches, until none is due."""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial

from sqlalchemy.orm import Session

from service.domain.dive.commands import NoteUnreachable, Tick
from service.domain.wording import MessageKind
from service.operations.gap import HEARTBEAT, log_gap
from service.operations.inbound import answer_waiting
from service.operations.plainest import raise_plainest
from service.operations.recording import apply
from service.operations.service import Service
from service.store import dives, health, outbox

_LOG = logging.getLogger(__name__)

BATCH = 200  # past the knee of what one commit gains, small enough that a fault costs little
BATCHES_MAX = 500  # 100,000 dives; what is left is found a second later
UNCONFIRMED_BATCH = 200


@dataclass(frozen=True, slots=True)
class Swept:
    """How many dives were decided, and how many could not be and went the plainest way."""

    decided: int
    faults: int


def sweep(service: Service) -> Swept:
    """Do all that is due. Any number may run at once: a claim is exclusive and a decision is made once."""
    log_gap(service, service.clock.now())
    decided, faulty = _sweep_dives(service)
    for dive_id in sorted(faulty):
        _raise_plainest(service, dive_id)
    _note_missing_receipts(service)
    answer_waiting(service)
    now = service.clock.now()
    service.write(lambda session: _finish(service, session, now))
    if decided or faulty:
        service.nudge()
    return Swept(decided, len(faulty))


def _sweep_dives(service: Service) -> tuple[int, set[str]]:
    decided = 0
    faulty: set[str] = set()
    for _ in range(BATCHES_MAX):
        now = service.clock.now()
        done, failed = service.write(partial(_sweep_batch, service, now, frozenset(faulty)))
        decided += done
        faulty |= failed
        if not done and not failed:
            break
        service.nudge()
    return decided, faulty


def _sweep_batch(service: Service, now: datetime, skip: frozenset[str], session: Session) -> tuple[int, set[str]]:
    """Claim, decide each in a savepoint of its own, one commit. A dive that fails takes nobody with it."""
    done, failed = 0, set()
    for claimed in dives.claim_due(session, now, BATCH, skip):
        try:
            with session.begin_nested():
                apply(service, session, claimed.dive_id, Tick(), now)
            done += 1
        except Exception:
            # A fault in the rules is an alarm, whatever it is: the plainest path takes this dive.
            _LOG.exception("tick_failed", extra={"dive": claimed.dive_id})
            failed.add(claimed.dive_id)
    return done, failed


def _raise_plainest(service: Service, dive_id: str) -> None:
    try:
        raise_plainest(service, dive_id)
    except Exception:
        # The next sweep comes to it again; the keeper sees how late it is.
        _LOG.exception("plainest_alarm_failed", extra={"dive": dive_id})


def _note_missing_receipts(service: Service) -> None:
    """An alert with no delivery receipt in time counts as not answered: the next contact is not made to wait."""
    now = service.clock.now()
    priorities = (int(MessageKind.DISTRESS), int(MessageKind.ALERT))
    earliest = now - timedelta(seconds=30)  # no club may wait less; each dive's own setting is looked at below
    waiting = service.read(lambda session: outbox.unconfirmed(session, earliest, priorities, UNCONFIRMED_BATCH))
    for message in waiting:
        service.write(partial(_note_missing, service, message, now))


def _note_missing(service: Service, message: outbox.Message, now: datetime, session: Session) -> None:
    dive = dives.lock(session, message.dive_id) if message.dive_id else None
    if dive is None or message.handed_at is None:
        outbox.note_receipt_checked(session, message.id)
        return
    if now - message.handed_at < dive.grace.receipt_within:
        return
    outbox.note_receipt_checked(session, message.id)
    apply(service, session, dive.id, NoteUnreachable(message.person_key, "no_receipt"), now)


def _finish(service: Service, session: Session, now: datetime) -> None:
    outbox.expire_overdue(session, now)
    health.beat(session, HEARTBEAT, now, service.process)
