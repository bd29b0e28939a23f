"""The sweep: finds every dive whose moment has come and lets the clock act on it, in batches, until none is due."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.dive.commands import NoteUnreachable, Tick
from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.another_way import after_no_receipt, has_answered
from service.operations.gap import HEARTBEAT, log_gap
from service.operations.inbound import answer_waiting, join_overdue
from service.operations.plainest import raise_plainest
from service.operations.receipts import apply_waiting
from service.operations.recording import apply, decided, held, learn, record_all
from service.operations.service import Service
from service.operations.suspecting import look_for_silence
from service.operations.telling import Page, told_by
from service.store import dives, due, health, outbox
from service.store.dives import UnreadableDive
from service.store.due import Claimed
from service.store.engine import is_transient
from service.store.outbox import HANDED, Message
from service.store.superseding import expire_overdue

_LOG = logging.getLogger(__name__)

BATCH = 200  # past the knee of what one commit gains, small enough that a fault costs little
BATCHES_MAX = 500  # 100,000 dives; what is left is found a second later
UNCONFIRMED_BATCH = 1_000
PASSING_TRIES = 3
PASSING_S = 60.0  # real seconds for which a fault of the database is not held for a fault of the dive
RECEIPT_WITHIN_MIN = timedelta(seconds=30)  # no club may wait less; each dive's own setting decides
# A call rings 40 s, says twice what takes 40 s and waits for a key; then there is news of it, or none will come.
CALL_ENDS_WITHIN = timedelta(minutes=4)


@dataclass(frozen=True, slots=True)
class Swept:
    """How many dives were decided, and how many could not be and went the plainest way."""

    decided: int
    faults: int


@dataclass(slots=True)
class _Batch:
    decided: int = 0
    faulty: set[str] = field(default_factory=set)  # the rules failed
    put_off: dict[str, datetime] = field(default_factory=dict)  # the database failed; with what was due
    pages: dict[str, Page] = field(default_factory=dict)  # what was decided, by dive


def sweep(service: Service) -> Swept:
    """Do all that is due. Any number may run at once: a claim is exclusive and a decision is made once."""
    # No part keeps the others from their work: least of all may a log entry keep an alarm.
    _guarded("gap_not_logged", lambda: log_gap(service, service.clock.now()))
    decided, faulty = _sweep_dives(service)
    for dive_id in sorted(faulty):
        # If that fails too, the next sweep comes to it again; the keeper sees how late it is.
        _guarded("plainest_alarm_failed", partial(raise_plainest, service, dive_id))
    _guarded("receipts_not_looked_at", partial(_note_missing_receipts, service))
    _guarded("parts_not_joined", partial(join_overdue, service))
    _guarded("texts_not_answered", partial(answer_waiting, service))
    now = service.clock.now()
    service.write(lambda session: _finish(service, session, now))
    if decided or faulty:
        service.nudge()
    return Swept(decided, len(faulty))


def _guarded(event: str, work: Callable[[], object]) -> None:
    try:
        work()
    except Exception:  # noqa: BLE001 - logged; what is due stays due, and the next sweep comes to it
        _LOG.exception(event)


def _sweep_dives(service: Service) -> tuple[int, set[str]]:
    decided = 0
    faulty: set[str] = set()
    tries: Counter[str] = Counter()
    for _ in range(BATCHES_MAX):
        now = service.clock.now()
        given_up = {dive_id for dive_id, count in tries.items() if count >= PASSING_TRIES}
        batch = service.write(partial(_sweep_batch, service, now, frozenset(faulty | given_up)))
        decided += batch.decided
        faulty |= batch.faulty
        tries.update(batch.put_off.keys())
        faulty |= {
            dive_id
            for dive_id, due_at in batch.put_off.items()
            if tries[dive_id] >= PASSING_TRIES and now - due_at > _passing(service)
        }
        if not (batch.decided or batch.faulty or batch.put_off):
            break
        service.nudge()
    return decided, faulty


def _passing(service: Service) -> timedelta:
    return timedelta(seconds=clock_seconds(service.clock, PASSING_S))


def _sweep_batch(service: Service, now: datetime, skip: frozenset[str], session: Session) -> _Batch:
    """Claim, decide each, write all of them together, one commit. A dive that fails takes nobody with it.

    Deciding touches nothing, so a dive on which the rules fail is left out before anything is written. Where the
    writing fails, each is tried alone in a savepoint of its own, so that only the one at fault is left out.
    """
    batch = _Batch()
    claimed = due.claim(session, now, BATCH, skip)
    decided = [one for one in claimed if _tried(one, partial(_decide, one, now, batch), batch)]
    try:
        with session.begin_nested():
            record_all(service, session, [batch.pages[one.dive_id] for one in decided], now)
        batch.decided = len(decided)
    except Exception as error:
        if _must_end(error):
            raise
        _LOG.warning("batch_one_by_one", exc_info=True)
        alone = [_tried(one, partial(_sweep_alone, service, session, one.dive_id, now), batch) for one in decided]
        batch.decided = sum(alone)
    return batch


def _decide(claimed: Claimed, now: datetime, batch: _Batch) -> None:
    dive = claimed.dive()
    batch.pages[claimed.dive_id] = told_by(dive, decided(dive, Tick(), now), claimed.receiving_number)


def _sweep_alone(service: Service, session: Session, dive_id: str, now: datetime) -> None:
    with session.begin_nested():
        apply(service, session, dive_id, Tick(), now)


def _tried(claimed: Claimed, work: Callable[[], object], batch: _Batch) -> bool:
    """Whether that could be done; what could not is noted."""
    try:
        work()
    except Exception as error:
        if _must_end(error):
            raise
        if is_transient(error):
            # A lock that was not to be had is no fault of the dive: its contacts must not be told of one.
            _LOG.warning("tick_put_off", extra={"dive": claimed.dive_id}, exc_info=True)
            batch.put_off[claimed.dive_id] = claimed.due_at
            return False
        # A fault in the rules is an alarm, whatever it is: the plainest path takes this dive.
        _LOG.exception("tick_failed", extra={"dive": claimed.dive_id})
        batch.faulty.add(claimed.dive_id)
        return False
    return True


def _must_end(error: Exception) -> bool:
    """Whether the connection is gone, so that the whole batch is run again."""
    return isinstance(error, DBAPIError) and error.connection_invalidated


def _note_missing_receipts(service: Service) -> None:
    """An alert with no delivery receipt in time counts as not answered: the next contact is not made to wait."""
    now = service.clock.now()
    waiting = service.read(lambda session: _overdue_receipts(session, now))
    for message in waiting:
        _guarded("receipt_not_noted", partial(service.write, partial(_note_missing, service, message.id, now)))
    for name in sorted({message.handed_gateway for message in waiting if message.handed_gateway}):
        _guarded("silence_not_looked_at", partial(look_for_silence, service, name))


def _overdue_receipts(session: Session, now: datetime) -> list[Message]:
    """Those that their dive waits for no longer; a plain read, since most have time yet."""
    priorities = (int(MessageKind.DISTRESS), int(MessageKind.ALERT))
    waiting = outbox.unconfirmed(session, now - RECEIPT_WITHIN_MIN, priorities, UNCONFIRMED_BATCH)
    within = {dive_id: _receipt_within(session, dive_id) for dive_id in {message.dive_id for message in waiting}}
    return [m for m in waiting if m.handed_at is None or now - m.handed_at >= _patience(m, within[m.dive_id])]


def _patience(message: Message, within: timedelta) -> timedelta:
    """Nobody is given up who still listens."""
    return max(within, CALL_ENDS_WITHIN) if message.channel == Channel.CALL else within


def _receipt_within(session: Session, dive_id: str | None) -> timedelta:
    try:
        dive = dives.get(session, dive_id) if dive_id else None
    except UnreadableDive:
        dive = None
    return dive.grace.receipt_within if dive else RECEIPT_WITHIN_MIN


def _note_missing(service: Service, message_id: str, now: datetime, session: Session) -> None:
    seen = outbox.get(session, message_id)
    dive = held(session, seen.dive_id) if seen else None
    message = outbox.get(session, message_id)
    if message is None or message.state != HANDED or message.receipt_checked:
        return
    # A receipt that came while the handing over was being recorded waits, and nobody else looks for it.
    apply_waiting(service, session, message, message.handed_gateway or "", message.provider_id or "", now)
    outbox.note_receipt_checked(session, message_id)
    after = outbox.get(session, message_id)
    if after is None or after.state != HANDED or message.channel == Channel.EMAIL:  # which has no receipts
        return
    if dive is not None and not has_answered(dive, message):
        channel = Channel(message.channel)
        why = "no_answer" if channel is Channel.CALL else "no_receipt"
        learn(service, session, dive.id, NoteUnreachable(message.person_key, why, channel), now)
    after_no_receipt(session, message, now)


def _finish(service: Service, session: Session, now: datetime) -> None:
    expire_overdue(session, now)
    health.beat(session, HEARTBEAT, now, service.process)
