"""The sweep: finds every dive whose moment has come and lets the clock act on it, in batches, until none is due."""

from __future__ import annotations

import logging
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from enum import Flag, auto
from functools import partial

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.dive.commands import NoteUnreachable, Tick
from service.domain.people import Channel
from service.operations.another_way import after_no_receipt, has_answered
from service.operations.drill_watch import look_after_drills
from service.operations.gap import GAP_S, beat, log_gap
from service.operations.inbound import AT_ONE_LOOK, WAITING_AFTER_S, answer_waiting
from service.operations.long_texts import WAIT_S
from service.operations.plainest import raise_plainest
from service.operations.receipts import apply_overtaking, apply_waiting
from service.operations.receiving import join_overdue
from service.operations.recording import apply, decided, held, learn, record_all
from service.operations.service import Service
from service.operations.suspecting import look_for_silence
from service.operations.telling import Page, told_by
from service.store import due, outbox, receipts
from service.store.due import Claimed
from service.store.engine import is_transient
from service.store.hung import end_hung
from service.store.outbox import HANDED
from service.store.superseding import expire_overdue

_LOG = logging.getLogger(__name__)

BATCH = 200  # past the knee of what one commit gains, small enough that a fault costs little
BATCHES_MAX = 500  # 100,000 dives; what is left is found a second later
UNCONFIRMED_BATCH = 1_000
TEXT_LOOKS_MAX = 20
PASSING_TRIES = 3
PASSING_S = 60.0  # real seconds for which a fault of the database is not held for a fault of the dive
EVER = datetime.min.replace(tzinfo=UTC)
BEAT_EVERY_S = 3.0  # real seconds; all who look how old a heartbeat is allow it ten
OVERTAKES_WITHIN = timedelta(hours=2)  # sweeps may have stood still meanwhile, or a clock may have been an hour slow


@dataclass(frozen=True, slots=True)
class Swept:
    """How many dives were decided, and how many could not be and went the plainest way."""

    decided: int
    faults: int


@dataclass(slots=True)
class _Batch:
    decided: int = 0
    faulty: set[str] = field(default_factory=set)  # the rules failed
    idle: set[str] = field(default_factory=set)  # due, and the rules have nothing to do
    put_off: dict[str, datetime] = field(default_factory=dict)  # the database failed; with what was due
    pages: dict[str, Page] = field(default_factory=dict)  # what was decided, by dive


def sweep(service: Service) -> Swept:
    """Do all that is due. Any number may run at once: a claim is exclusive and a decision is made once.

    Where nothing is due, one statement says so, and that is all that is asked.
    """
    wanted = _wanted(service)
    # No part keeps the others from their work: least of all may a log entry keep an alarm.
    # But without a heartbeat the next sweep comes to the gap again: a copy must be found out, and the divers asked.
    beats = _Part.GAP not in wanted or _guarded("gap_not_logged", lambda: log_gap(service, service.clock.now()))
    decided, faulty = _sweep_dives(service) if _Part.DIVES in wanted else (0, set())
    for dive_id in sorted(faulty):
        # If that fails too, the next sweep comes to it again; the keeper sees how late it is.
        _guarded("plainest_alarm_failed", partial(raise_plainest, service, dive_id))
    if _Part.RECEIPTS in wanted:
        _guarded("receipts_not_looked_at", partial(_note_missing_receipts, service))
    if _Part.FINISH in wanted:
        _guarded("hung_not_ended", partial(_end_hung, service))
        _guarded("receipts_not_applied", partial(_apply_overtaking, service))
    if _Part.PARTS in wanted:
        _guarded("parts_not_joined", partial(join_overdue, service))
    if wanted & (_Part.TEXTS | _Part.PARTS):  # what was put together just now waits for its answer too
        _guarded("texts_not_answered", partial(_answer_waiting, service))
    if _Part.DRILLS in wanted:
        # Last, and after the alarms of this sweep are committed: an exercise gives way to a real one.
        _guarded("drills_not_looked_after", partial(look_after_drills, service))
    if wanted:
        now = service.clock.now()
        service.write(lambda session: _finish(service, session, now, beats=beats))
    if decided or faulty:
        service.nudge()
    return Swept(decided, len(faulty))


class _Part(Flag):
    """What there is to do for a sweep."""

    GAP = auto()
    DIVES = auto()
    RECEIPTS = auto()
    PARTS = auto()
    TEXTS = auto()
    DRILLS = auto()
    FINISH = auto()  # messages that would come too late, and the heartbeat


def _wanted(service: Service) -> _Part:
    """What is due. All of it where that cannot be seen: one table that cannot be read must not keep an alarm."""
    now = service.clock.now()
    try:
        seen = due.glance(service.engine)
    except Exception:  # noqa: BLE001 - logged; where there is no database at all, what follows says so
        _LOG.exception("no_glance")
        return ~_Part(0)
    real = partial(clock_seconds, service.clock)
    # A sweep that a wrong clock has put into the future says nothing of now.
    swept_at = EVER if seen.swept_at is None or seen.swept_at > now else seen.swept_at
    limits = (
        # A database that no sweep has been to may be a copy that was just put in place.
        (_Part.GAP, seen.swept_at or EVER, real(GAP_S)),
        (_Part.DIVES, seen.dive_at, 0.0),
        (_Part.RECEIPTS, seen.receipt_at, 0.0),
        (_Part.PARTS, seen.part_at, real(WAIT_S)),
        (_Part.TEXTS, seen.text_at, real(WAITING_AFTER_S)),
        (_Part.DRILLS, seen.drill_at, 0.0),
        (_Part.FINISH, seen.expires_at, 0.0),
        (_Part.FINISH, swept_at, real(BEAT_EVERY_S)),
    )
    wanted = _Part(0)
    for part, since, after_s in limits:
        if since is not None and (now - since).total_seconds() >= after_s:
            wanted |= part
    return wanted


def _guarded(event: str, work: Callable[[], object]) -> bool:
    """Whether that could be done."""
    try:
        work()
    except Exception:  # noqa: BLE001 - logged; what is due stays due, and the next sweep comes to it
        _LOG.exception(event)
        return False
    return True


def _sweep_dives(service: Service) -> tuple[int, set[str]]:
    decided = 0
    faulty: set[str] = set()
    idle: set[str] = set()
    tries: Counter[str] = Counter()
    for _ in range(BATCHES_MAX):
        now = service.clock.now()
        given_up = {dive_id for dive_id, count in tries.items() if count >= PASSING_TRIES}
        batch = service.write(partial(_sweep_batch, service, now, frozenset(faulty | idle | given_up)))
        decided += batch.decided
        faulty |= batch.faulty
        idle |= batch.idle
        tries.update(batch.put_off.keys())
        faulty |= {
            dive_id
            for dive_id, due_at in batch.put_off.items()
            if tries[dive_id] >= PASSING_TRIES and now - due_at > _passing(service)
        }
        if not (batch.decided or batch.faulty or batch.put_off or batch.idle):
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
    if not claimed:  # each sweep ends so
        return batch
    decided = [one for one in claimed if _tried(one, partial(_decide, one, now, batch), batch)]
    try:
        with session.begin_nested():
            record_all(service, session, [batch.pages[one.dive_id] for one in decided], now)
        batch.decided = len(decided) - len(batch.idle)
    except Exception as error:
        if _must_end(error):
            raise
        _LOG.warning("batch_one_by_one", exc_info=True)
        alone = [_tried(one, partial(_sweep_alone, service, session, one.dive_id, now), batch) for one in decided]
        batch.decided = sum(alone)
    return batch


def _decide(claimed: Claimed, now: datetime, batch: _Batch) -> None:
    dive = claimed.dive()
    page = batch.pages[claimed.dive_id] = told_by(dive, decided(dive, Tick(), now), claimed.receiving_number)
    due_at = None if page.lines else page.next_due_at
    if due_at is not None and due_at <= now:
        # It stays due, so that it would be claimed again and again.
        _LOG.error("due_and_nothing_to_do", extra={"dive": claimed.dive_id, "due_at": due_at})
        batch.idle.add(claimed.dive_id)


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


def _answer_waiting(service: Service) -> None:
    """Answer texts as long as no dive falls due meanwhile: none waits behind more than a handful of them."""
    for _ in range(TEXT_LOOKS_MAX):
        if answer_waiting(service) < AT_ONE_LOOK or _Part.DIVES in _wanted(service):
            break


def _note_missing_receipts(service: Service) -> None:
    """An alert with no delivery receipt in time counts as not answered: the next contact is not made to wait."""
    now = service.clock.now()
    waiting = service.read(lambda session: due.unconfirmed(session, now, UNCONFIRMED_BATCH))
    for message in waiting:
        _guarded("receipt_not_noted", partial(service.write, partial(_note_missing, service, message.id, now)))
    for name in sorted({message.handed_gateway for message in waiting if message.handed_gateway}):
        _guarded("silence_not_looked_at", partial(look_for_silence, service, name))


def _end_hung(service: Service) -> None:
    """Free what transactions keep from everybody whose line fell silent: a text, a dive, a log."""
    ended = end_hung(service.engine)
    if ended:
        _LOG.error("hung_transactions_ended", extra={"count": ended})


def _apply_overtaking(service: Service) -> None:
    """Receipts that came between a courier's look for them and its commit."""
    now = service.clock.now()
    found = partial(receipts.overtaking, since=now - OVERTAKES_WITHIN, limit=UNCONFIRMED_BATCH)
    for one in service.read(found):
        _guarded("receipt_not_applied", partial(service.write, partial(apply_overtaking, service, one, now)))


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


def _finish(service: Service, session: Session, now: datetime, *, beats: bool) -> None:
    expire_overdue(session, now)
    if beats:
        beat(service, session, now)
