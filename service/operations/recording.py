"""Decide, record, then tell: the events, their log entries and their messages are one transaction."""

from __future__ import annotations

import logging
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Command, Dive, Event, Phase, Refusal, decide
from service.domain.dive.commands import NoteHanded, NoteReachable, NoteUnreachable
from service.domain.dive.events import Closed
from service.domain.people import CLOCK, Role, Via
from service.domain.wording import MessageKind, says_of_rescue, untrue_steps
from service.operations.overtaken_answers import answer_anew, is_of_before, put_aside_answers
from service.operations.plainest import end_unknown_alarms
from service.operations.service import Service
from service.operations.telling import Page, Telling, actor_of, told_by
from service.store import dives, log, reaches
from service.store.dives import Next, UnreadableDive
from service.store.engine import is_transient
from service.store.leases import Waiting
from service.store.outbox import Message
from service.store.superseding import expire_moved_on, expire_steps, expire_superseded, expire_these

_LOG = logging.getLogger(__name__)

# What would only mislead once it is over. Stand-downs and replies still go out.
SUPERSEDED_AT_CLOSE = (
    MessageKind.DISTRESS,
    MessageKind.ALERT,
    MessageKind.REMINDER,
    MessageKind.START_NOTICE,
    MessageKind.OTHER,
)
# A stand-down must not reach anybody after the alarm that opened the dive again.
SUPERSEDED_AT_REOPENING = (MessageKind.STAND_DOWN,)
# A start notice or a later raise-by time that arrives after the alarm would calm where it must not.
SUPERSEDED_AT_ALARM = (MessageKind.START_NOTICE,)


@dataclass(frozen=True, slots=True)
class Applied:
    """What became of a command: the dive now, what happened, or why nothing did."""

    dive: Dive
    events: tuple[Event, ...]
    refusal: Refusal | None = None


def apply(service: Service, session: Session, dive_id: str, command: Command, now: datetime) -> Applied | None:
    """Lock the dive, decide, record. None when there is no such dive. Raises UnreadableDive."""
    dive = dives.lock(session, dive_id)
    return None if dive is None else apply_to(service, session, dive, command, now)


def apply_to(service: Service, session: Session, dive: Dive, command: Command, now: datetime) -> Applied:
    """Decide and record on a dive that this transaction has locked."""
    _note_press(session, dive, command, now)
    decision = decide(dive, command, now)
    if isinstance(decision, Refusal):
        _log_refusal(service, session, dive, command, decision)
        return Applied(dive, (), decision)
    if not decision:
        return Applied(dive, ())
    after = record(service, session, dive, decision, now)
    return Applied(after, decision)


def decided(dive: Dive, command: Command, now: datetime) -> tuple[Event, ...]:
    """What a command that is never refused does to a dive: the clock's. Nothing is written."""
    decision = decide(dive, command, now)
    if isinstance(decision, Refusal):
        raise TypeError(f"{type(command).__name__} was refused: {decision.code}")
    return decision


def _note_press(session: Session, dive: Dive, command: Command, now: datetime) -> None:
    """A button of theirs, or a key in a call, proves that a contact can be reached; a text is noted as it comes."""
    by = getattr(command, "by", CLOCK)
    if by.role is Role.CONTACT and by.via in (Via.PAGE, Via.CALL) and by.phone is not None:
        reaches.note_word(session, dive.club_id, by.phone, now)


def held(session: Session, dive_id: str | None) -> Dive | None:
    """The dive, locked; None when there is none or it cannot be read (its row is locked all the same).

    Whoever writes to a dive's messages or log takes this lock first: one order, so that none waits for another in
    a ring.
    """
    try:
        return None if dive_id is None else dives.lock(session, dive_id)
    except UnreadableDive:
        return None


def learn(service: Service, session: Session, dive_id: str, command: Command, now: datetime) -> None:
    """Let a dive, which is locked already, learn what became of a message.

    Where it cannot, the record of the message stands all the same. Else a message would be sent over and over because
    its dive is faulty; the sweep sees to such a dive.
    """
    try:
        dive = dives.lock(session, dive_id)
        if dive is None or _is_idle(dive, command, now):
            return
        with session.begin_nested():
            apply_to(service, session, dive, command, now)
    except Exception as error:
        if is_transient(error):
            raise
        _LOG.exception("dive_did_not_learn", extra={"dive": dive_id, "command": type(command).__name__})


def _is_idle(dive: Dive, command: Command, now: datetime) -> bool:
    """Whether nothing is to be written of it, as of most receipts: then nothing has to be taken back either."""
    return isinstance(command, NoteHanded | NoteReachable | NoteUnreachable) and decide(dive, command, now) == ()


def act(service: Service, dive_id: str, command: Command) -> Applied | None:
    """One command in one transaction, from a page, the API or a process; of when the dive was to be had."""

    def work(session: Session) -> Applied | None:
        dive = dives.lock(session, dive_id)
        return None if dive is None else apply_to(service, session, dive, command, service.clock.now())

    applied = service.write(work)
    if applied is not None and applied.events:
        service.nudge()
    return applied


def record(service: Service, session: Session, dive: Dive, events: Sequence[Event], now: datetime) -> Dive:
    """Write what happened to a dive that is in the database: log, messages, row."""
    return record_all(service, session, [told_by(dive, events)], now)[0]


def record_all(service: Service, session: Session, pages: Sequence[Page], now: datetime) -> list[Dive]:
    """Write what happened to several dives, each of which this transaction has locked, in few statements for all."""
    telling = Telling(service, session, now)
    telling.begin(pages)
    overtaken = put_aside_answers(session, pages, now)
    withheld: list[list[str]] = [[] for _ in pages]
    for number in range(max((len(page.lines) for page in pages), default=0)):
        lines = [(place, page.lines[number]) for place, page in enumerate(pages) if number < len(page.lines)]
        for (place, _), keys in zip(lines, telling.tell([line for _, line in lines]), strict=True):
            withheld[place] += keys
        for _, line in lines:
            if isinstance(line.event, Closed):
                end_unknown_alarms(session, line.dive.id, line.dive.version, line.event.by, now)
    telling.write()
    dives.save_all(session, [Next(page.after, page.before.version, page.next_due_at) for page in pages])
    _expire_superseded(session, pages, now)
    answer_anew(service, session, pages, overtaken, now)
    return [_without(service, session, page.after, keys, now) for page, keys in zip(pages, withheld, strict=True)]


def _without(service: Service, session: Session, dive: Dive, withheld: Sequence[str], now: datetime) -> Dive:
    """The dive, which knows now who has opted out."""
    for key in dict.fromkeys(withheld):
        dive = apply_to(service, session, dive, NoteUnreachable(person=key, reason="opted_out"), now).dive
    return dive


def _expire_superseded(session: Session, pages: Sequence[Page], now: datetime) -> None:
    over: dict[tuple[MessageKind, ...], list[str]] = {}
    for page in pages:
        kinds = _superseded(page.before, page.after)
        if kinds:
            over.setdefault(kinds, []).append(page.before.id)
    for kinds, dive_ids in over.items():
        expire_superseded(session, dive_ids, kinds, now)
    for begins in {untrue_steps(page.after) for page in pages}:
        changed = [page.before.id for page in pages if untrue_steps(page.before) != begins == untrue_steps(page.after)]
        if changed:
            expire_steps(session, changed, begins, now)


def _superseded(before: Dive, after: Dive) -> tuple[MessageKind, ...]:
    """What is still waiting to be sent and would now mislead."""
    if after.phase is Phase.CLOSED:
        return SUPERSEDED_AT_CLOSE
    if before.phase is Phase.CLOSED:
        return SUPERSEDED_AT_REOPENING
    if after.alarmed and not before.alarmed:
        return SUPERSEDED_AT_ALARM
    return ()


def is_superseded(dive: Dive | None, message: Message | Waiting) -> bool:
    """Whether a message that waits to be tried again would now mislead.

    Its dive closed, or is in alarm (again), or rescue was called.
    """
    if dive is None:
        return False
    kind = MessageKind(message.priority)
    if message.step.startswith(untrue_steps(dive)):
        return True
    if dive.phase is Phase.CLOSED:
        return kind in SUPERSEDED_AT_CLOSE
    return kind in SUPERSEDED_AT_REOPENING or (dive.alarmed and kind in SUPERSEDED_AT_ALARM)


def give_up_superseded(session: Session, messages: Collection[Message], now: datetime) -> None:
    """The same of messages that wait again, whose dives may have moved on while they looked as if being handed over."""
    expire_moved_on(
        session,
        [message.id for message in messages],
        at_close=SUPERSEDED_AT_CLOSE,
        at_reopening=SUPERSEDED_AT_REOPENING,
        at_alarm=SUPERSEDED_AT_ALARM,
        now=now,
    )
    by_dive = {message.dive_id: message for message in messages if message.dive_id and _may_be_untrue(message)}
    for dive_id in sorted(by_dive):
        dive = held(session, dive_id)
        if dive is not None:
            expire_steps(session, [dive_id], untrue_steps(dive), now)
            of_before = [one.id for one in messages if one.dive_id == dive_id and is_of_before(dive, one)]
            expire_these(session, of_before, now)


def _may_be_untrue(message: Message) -> bool:
    return says_of_rescue(message.step) or MessageKind(message.priority) is MessageKind.REPLY


def _log_refusal(service: Service, session: Session, dive: Dive, command: Command, refusal: Refusal) -> None:
    detail = {"command": type(command).__name__, "code": refusal.code, "words": refusal.words}
    log.append(
        session,
        chain=log.dive_chain(dive.id),
        at=refusal.at,
        kind="refused",
        actor=actor_of(service, getattr(command, "by", CLOCK)),
        detail=detail,
        dive_id=dive.id,
        club_id=dive.club_id,
    )
