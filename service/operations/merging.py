"""Bringing what a keeper told while the database was gone into the record, by the one way that there is.

Each dive is one transaction: its messages and attempts with their true times, an entry in its log, and what the dive
learns of it, so that nobody is alarmed as if nothing had been. A dive that was over when somebody called for help is
open again by that before anything else is asked of it: only then is whoever was told of a dive that is over told so.
The texts themselves come behind it, and are heard in full. Twice is as good as once, and a journal is dropped only when
all of it is in.
"""

from __future__ import annotations

import logging
import os
import time
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Final

from sqlalchemy.exc import DataError, IntegrityError, SQLAlchemyError
from sqlalchemy.orm import Session

from service.domain.dive import Command, Dive, Event, Phase
from service.domain.dive.commands import NoteRaisedMeanwhile, NoteToldMeanwhile, RaiseNow, Start
from service.domain.dive.events import (
    Acknowledged,
    AlarmRaised,
    CalledTakenBack,
    Closed,
    RescueCalled,
    Started,
    StepTaken,
)
from service.domain.grace import Step
from service.domain.people import ADMINS, Channel
from service.domain.wording import MessageKind
from service.operations import service_log
from service.operations.outage_journal import Began, Ended, Happened, Journal, Told, Tried, outage_name
from service.operations.plainest import end_unknown_alarms
from service.operations.receipts import apply_waiting
from service.operations.recording import held, learn
from service.operations.service import Service
from service.operations.snapshotting import KeeperFiles
from service.operations.telling_admins import is_news, tell_admins
from service.store import log, meanwhile, outbox
from service.store.codec import load_event, stamp
from service.store.engine import RunAgainError
from service.store.outbox import FAILED, HANDED

_LOG = logging.getLogger(__name__)

BACK: Final = "database_back"
TOLD: Final = "told_meanwhile"
WAITS_S: Final = 12.0  # for a keeper that is still with a gateway; then an alarm that is due waits no longer
ONCE: Final = timedelta(days=3650)
_OF_CONTACTS: Final = (Step.ALERT, Step.NEXT_CONTACT, Step.DISTRESS, Step.DISTRESS_AGAIN, Step.HAND_UP)
# What the journal is read for.
_READ: Final = (
    *("started", "step_taken", "alarm_raised", "closed"),
    *("acknowledged", "rescue_called", "called_taken_back"),
)
_OF_ALL: Final = (Step.DISTRESS, Step.DISTRESS_AGAIN)
# Of a restored database, which does not know the dive; what else is of the database may be cured by itself.
_OF_THE_RECORD: Final = (IntegrityError, DataError)
_NOT_TAKEN: Final = "no gateway took it while the database was gone"
_CUT_OFF: Final = "the keeper ended before it knew"


@dataclass(slots=True)
class _Message:
    """A message with its attempts, each with what came of it."""

    told: Told
    tries: dict[int, tuple[Tried, Ended | None]] = field(default_factory=dict)

    @property
    def accepted(self) -> Ended | None:
        """The attempt that a gateway took."""
        return next((ended for _, ended in self.tries.values() if ended and ended.outcome == "accepted"), None)


@dataclass(slots=True)
class _Account:
    """What was told of one dive, or of none."""

    messages: list[_Message] = field(default_factory=list)
    started: Started | None = None
    alarms: list[StepTaken | AlarmRaised] = field(default_factory=list)
    answers: list[Acknowledged | RescueCalled | CalledTakenBack] = field(default_factory=list)

    def happened(self, event: Event) -> None:
        """An event that the keeper decided. The end of a dive is no news here: the text that ended it comes yet."""
        match event:
            case Started() if not event.assumed:
                self.started = event
            case StepTaken() if event.step in _OF_CONTACTS:
                self.alarms.append(event)
            case AlarmRaised():
                self.alarms.append(event)
            case Closed():
                # What somebody called for before that is heard by their text, and then this; not the other way about.
                self.alarms = [one for one in self.alarms if isinstance(one, StepTaken)]
            case Acknowledged() | RescueCalled() | CalledTakenBack():
                self.answers.append(event)


def merge_first(service: Service, files: KeeperFiles, wait_s: float = WAITS_S) -> None:
    """Bring in what a keeper of this machine told, before anything else is decided; one that runs does so itself.

    Such a keeper is waited for a little. Raises OSError, and what the database raises.
    """
    if not files.journal.exists():
        return
    lock = files.claim()
    if lock is not None:
        try:
            merge(service, Journal(files))
        finally:
            os.close(lock)
        return
    give_up_at = time.monotonic() + wait_s
    while files.journal.exists() and time.monotonic() < give_up_at:
        time.sleep(0.05)


def merge(service: Service, journal: Journal) -> None:
    """Bring in a journal and drop it. Whoever calls this has claimed it.

    Raises what a database that is gone again raises; then all of it is done once more. A dive that cannot be brought in
    for another reason does not keep the others out: its journal is put aside, and the admins hear of it.
    """
    began, accounts = _accounts(journal)
    if began is None and not accounts:
        # Torn, or of another secret key: whoever has that can still read who was told.
        _LOG.error("journal_unreadable")
        journal.drop(aside=True)
        return
    began = began or Began(service.clock.now(), outage_name())
    failed = 0
    for dive_id, account in accounts.items():
        try:
            service.write(partial(_merge_one, service, began, dive_id, account))
        except Exception as fault:
            if isinstance(fault, SQLAlchemyError | RunAgainError) and not isinstance(fault, _OF_THE_RECORD):
                raise
            # Whatever it is, the others' record must not wait for it.
            _LOG.exception("dive_not_merged", extra={"dive": dive_id})
            failed += 1
    sent = sum(bool(message.tries) for account in accounts.values() for message in account.messages)
    service.write(partial(_tell_back, service, began, sent, failed))
    journal.drop(aside=bool(failed))
    service.nudge()


def _accounts(journal: Journal) -> tuple[Began | None, dict[str | None, _Account]]:
    """The journal by dives, in the order in which they were first told of."""
    began: Began | None = None
    accounts: dict[str | None, _Account] = {}
    messages: dict[str, _Message] = {}
    for entry in journal.read():
        if isinstance(entry, Began):
            began = began or entry
        elif isinstance(entry, Told):
            messages[entry.id] = _Message(entry)
            accounts.setdefault(entry.dive_id, _Account()).messages.append(messages[entry.id])
        elif isinstance(entry, Tried) and entry.message_id in messages:  # else a line of it was torn
            messages[entry.message_id].tries[entry.number] = (entry, None)
        elif isinstance(entry, Ended) and entry.message_id in messages:
            tries = messages[entry.message_id].tries
            if entry.number in tries:
                tries[entry.number] = (tries[entry.number][0], entry)
        elif isinstance(entry, Happened):
            events = [load_event(kind, detail) for kind, detail in entry.events if kind in _READ]
            account = accounts.setdefault(entry.dive_id, _Account())
            for event in events:
                account.happened(event)
    return began, accounts


def _merge_one(service: Service, began: Began, dive_id: str | None, account: _Account, session: Session) -> None:
    now = service.clock.now()
    before = held(session, dive_id)
    new = [one for one in account.messages if one.tries and _put_in(session, began, one, now)]
    for message in new:
        _log(service, session, began, message, now)
    if before is not None:
        _let_dive_know(service, session, before, account, now)
    for message in new:
        _receipts_that_waited(service, session, message, now)
    dive = held(session, dive_id)
    if dive is not None and dive.phase is Phase.CLOSED and dive.closed_by is not None:
        end_unknown_alarms(session, dive.id, dive.version, dive.closed_by, now)


def _let_dive_know(service: Service, session: Session, dive: Dive, account: _Account, now: datetime) -> None:
    if account.started is not None and account.alarms and dive.phase is Phase.FILED:
        # First: their IN comes too late for a dive that is in alarm already, which nobody would then know to be in.
        said = account.started
        learn(service, session, dive.id, Start(said.by, said.head_count, said_at=said.started_at), now)
    for alarm in account.alarms:
        learn(service, session, dive.id, _as_noted(dive, alarm, account), now)


def _as_noted(dive: Dive, alarm: StepTaken | AlarmRaised, account: _Account) -> Command:
    if isinstance(alarm, StepTaken):
        to = _reached_by(dive, alarm, alarm.to, account)
        return NoteToldMeanwhile(alarm.step, to, alarm.due_at, alarm.at)
    to = _reached_by(dive, alarm, tuple(contact.key for contact in dive.contacts), account)
    call = RaiseNow(alarm.by, alarm.note, worry=alarm.worry)
    return NoteRaisedMeanwhile(call, to, alarm.at)


def _receipts_that_waited(service: Service, session: Session, message: _Message, now: datetime) -> None:
    """Apply what gateways said of it since the database is back: until now nobody knew whose receipt that was."""
    row, taken = outbox.get(session, message.told.id), message.accepted
    if row is not None and taken is not None and taken.provider_id is not None:
        apply_waiting(service, session, row, message.tries[taken.number][0].gateway, taken.provider_id, now)


def _put_in(session: Session, began: Began, message: _Message, now: datetime) -> bool:
    """The rows of a message, and whether any of it was new. One of the outbox is only brought up to date."""
    taken = message.accepted
    new = meanwhile.add_message(session, _values(message))
    for tried, ended in message.tries.values():
        new |= meanwhile.add_attempt(
            session,
            tried.message_id,
            tried.gateway,
            f"keeper:{began.name}",
            tried.at,
            ended.at if ended else tried.at,
            ended.outcome if ended else "unknown",
            ended.code if ended else None,
            ended.detail if ended else _CUT_OFF,
            ended.provider_id if ended else None,
        )
    if taken is not None:
        gateway = message.tries[taken.number][0].gateway
        meanwhile.mark_handed(session, message.told.id, gateway, taken.provider_id or "", taken.at, now)
    return new


def _values(message: _Message) -> dict[str, Any]:
    """The row of a message as it stands: with the gateway that took it, or given up; the ladder's next word is new."""
    told, taken = message.told, message.accepted
    last = max(tried.at for tried, _ in message.tries.values())
    fields = ("id", "club_id", "dive_id", "person_key", "name", "phone", "email", "channel", "language", "rank")
    values = {name: getattr(told, name) for name in (*fields, "step", "subject", "body", "segments")}
    values |= {"kind": MessageKind(told.kind).name.lower(), "priority": told.kind, "channel": str(told.channel)}
    values |= {"queued_at": told.queued_at, "due_at": told.due_at, "not_before_at": told.queued_at}
    # Nobody waits for a receipt by now: the ladder has gone on by its own time.
    values |= {"attempts": 0, "in_flight": False, "receipt_checked": True}
    if taken is None:
        return values | {"state": FAILED, "failed_reason": _NOT_TAKEN, "ended_at": last}
    gateway = message.tries[taken.number][0].gateway
    return values | {
        "state": HANDED,
        "handed_at": taken.at,
        "handed_gateway": gateway,
        "provider_id": taken.provider_id,
    }


def _reached_by(dive: Dive, step: StepTaken | AlarmRaised, to: tuple[str, ...], account: _Account) -> tuple[str, ...]:
    """Of those to whom an alarm went whoever has its message for certain: the ladder tells the others, maybe again.

    Distress is told to all at once, and next in ten minutes: where one of them has it not, it counts as not taken.
    """
    sent = [one for one in account.messages if one.told.queued_at == step.at]
    if to == (ADMINS,):
        reached = any(one.accepted and one.told.person_key.startswith("admin-") for one in sent)
        return (ADMINS,) if reached else ()
    has_it = {one.told.person_key for one in sent if one.accepted and _counts(dive, one.told)}
    has_it |= {answer.by.own_key for answer in account.answers if answer.at >= step.at}
    has_it |= {step.by.own_key} if isinstance(step, AlarmRaised) else set()
    without = {one.told.person_key for one in sent} & set(to) - has_it
    if without and isinstance(step, StepTaken) and step.step in _OF_ALL:
        return ()
    return tuple(key for key in to if key in has_it)


def _counts(dive: Dive, told: Told) -> bool:
    """Whether a gateway that took it is enough: a text, where that is the way that counts for this person.

    An e-mail is an extra, and a call that a gateway took may have rung out: who pressed a key in it has answered.
    """
    person = dive.person(told.person_key)
    first = Channel.TEXT if person is None else dive.first_way(person)
    return told.channel is Channel.TEXT is first


def _log(service: Service, session: Session, began: Began, message: _Message, now: datetime) -> None:
    told = message.told
    attempts = [
        {
            "gateway": tried.gateway,
            "at": stamp(tried.at),
            "outcome": ended.outcome if ended else "unknown",
            "why": (ended.code or ended.detail) if ended else _CUT_OFF,
        }
        for tried, ended in message.tries.values()
    ]
    log.append(
        session,
        chain=log.chain_of(told.dive_id, told.club_id),
        at=now,
        kind=TOLD,
        actor={"role": "clock", "name": "the keeper", "process": service.process},
        detail={
            "message": told.id,
            "step": told.step,
            "person": told.person_key,
            "kind": MessageKind(told.kind).name,
            "queued_at": stamp(told.queued_at),
            "attempts": attempts,
            "outage": began.name,
        },
        dive_id=told.dive_id,
        club_id=told.club_id,
    )


def _tell_back(service: Service, began: Began, sent: int, failed: int, session: Session) -> None:
    now = service.clock.now()
    if not is_news(service, session, f"{BACK}:{began.name}", now, ONCE):
        return
    detail = {"outage": began.name, "gone_at": stamp(began.at), "told": sent, "not_merged": failed}
    service_log.note(service, session, BACK, detail, now, name="the keeper")
    words = f"Linetender: the database is back. {sent} messages went out meanwhile; the log has them."
    if failed:
        words = f"{words} {failed} dives could not be brought in: please look."
    tell_admins(session, f"{BACK}-{began.name}", words, now)
