"""Decide, record, then tell: the events, their log entries and their messages are one transaction."""

from __future__ import annotations

import logging
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Command, Dive, Event, Phase, Refusal, decide, evolve, next_due_at
from service.domain.dive.commands import NoteUnreachable
from service.domain.dive.events import Closed, StepTaken
from service.domain.encoding import segments
from service.domain.grace import Step
from service.domain.people import ADMINS, CLOCK, Actor, Channel, Recipient, Role, Via
from service.domain.wording import Draft, MessageKind, messages_for
from service.operations.links import with_link
from service.operations.plainest import end_fault_alarm
from service.operations.service import Service
from service.store import admins, dives, log, opt_outs, outbox, reaches
from service.store.codec import dump_event, plain
from service.store.dives import UnreadableDive
from service.store.engine import is_transient
from service.store.outbox import NewMessage

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


# Whoever waits for a slow sender hears the latest alarm once, and not all of them one after the other.
SAYS_ALL_AGAIN = (Step.DISTRESS, Step.DISTRESS_AGAIN)
LADDER = (Step.ALERT, Step.NEXT_CONTACT, *SAYS_ALL_AGAIN)


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
    """Let a dive learn what became of a message. Where it cannot, the record of the message stands all the same.

    Else a message would be sent over and over because its dive is faulty; the sweep sees to such a dive.
    """
    try:
        with session.begin_nested():
            apply(service, session, dive_id, command, now)
    except Exception as error:
        if is_transient(error):
            raise
        _LOG.exception("dive_did_not_learn", extra={"dive": dive_id, "command": type(command).__name__})


def act(service: Service, dive_id: str, command: Command) -> Applied | None:
    """One command in one transaction, from a page, the API or a process."""
    now = service.clock.now()
    applied = service.write(lambda session: apply(service, session, dive_id, command, now))
    if applied is not None and applied.events:
        service.nudge()
    return applied


def record(service: Service, session: Session, dive: Dive, events: Sequence[Event], now: datetime) -> Dive:
    """Write what happened to a dive that is in the database: log, messages, row."""
    before = dive
    withheld: list[str] = []
    for event in events:
        dive = evolve(dive, event)
        withheld += log_and_queue(service, session, dive, event, now)
        if isinstance(event, Closed):
            end_fault_alarm(session, dive, event, now)
    dives.save(session, dive, expected_version=before.version, next_due_at=next_due_at(dive))
    superseded = _superseded(before, dive)
    if superseded:
        outbox.expire_superseded(session, dive.id, superseded, now)
    for key in dict.fromkeys(withheld):
        dive = apply_to(service, session, dive, NoteUnreachable(person=key, reason="opted_out"), now).dive
    return dive


def _superseded(before: Dive, after: Dive) -> tuple[MessageKind, ...]:
    """What is still waiting to be sent and would now mislead."""
    if after.phase is Phase.CLOSED:
        return SUPERSEDED_AT_CLOSE
    if before.phase is Phase.CLOSED:
        return SUPERSEDED_AT_REOPENING
    if after.alarmed and not before.alarmed:
        return SUPERSEDED_AT_ALARM
    return ()


def is_superseded(dive: Dive | None, kind: MessageKind) -> bool:
    """Whether a message that waits to be tried again would now mislead: its dive closed, or was opened again."""
    if dive is None:
        return False
    return kind in (SUPERSEDED_AT_CLOSE if dive.phase is Phase.CLOSED else SUPERSEDED_AT_REOPENING)


def log_and_queue(service: Service, session: Session, dive: Dive, event: Event, now: datetime) -> list[str]:
    """One log entry for the event, one for the messages it causes; gives the keys that have opted out.

    Whoever opted out of our texts is not called either; an e-mail is another matter, and goes. An e-mail that nobody
    carries is left out, since nothing hangs on it; a call is queued all the same, so that the courier finds that it
    goes nowhere and nobody waits for its answer.
    """
    kind, detail = dump_event(event)
    by = getattr(event, "by", CLOCK)
    seq = _log(service, session, dive, f"event:{kind}", by, detail, now)
    no_mail = Channel.EMAIL not in service.channels
    drafts = [one for one in messages_for(dive, event) if not (no_mail and one.channel is Channel.EMAIL)]
    told = [(draft, person) for draft in drafts for person in _people(session, dive, draft)]
    deaf = _opted_out(session, dive, {person.phone for _, person in told if person.phone})
    queued, withheld = [], []
    for draft, person in told:
        if person.phone is None:
            continue
        if person.phone in deaf and draft.channel is not Channel.EMAIL:
            withheld.append(person.key)
            continue
        body = with_link(session, dive, draft, person.key, service.public_url, now)
        message = _message(dive, draft, person, body, seq, now)
        if isinstance(event, StepTaken) and event.step in SAYS_ALL_AGAIN:
            message = outbox.in_place_of_waiting(session, message, LADDER)
        message_id = outbox.queue(session, message)
        if message_id is not None:
            queued.append(_entry(message_id, draft, person))
    if queued or withheld:
        detail = {"cause": seq, "queued": queued, "opted_out": withheld}
        _log(service, session, dive, "messages", CLOCK, detail, now)
    return withheld


def _entry(message_id: str, draft: Draft, person: Recipient) -> dict[str, str]:
    what = {"id": message_id, "person": person.key, "step": draft.step, "kind": draft.kind.name}
    return what if draft.channel is Channel.TEXT else {**what, "channel": draft.channel.value}


def _log(
    service: Service, session: Session, dive: Dive, kind: str, by: Actor, detail: Mapping[str, object], now: datetime
) -> int:
    return log.append(
        session,
        chain=log.dive_chain(dive.id),
        at=now,
        kind=kind,
        actor=actor_of(service, by),
        detail=dict(detail),
        dive_id=dive.id,
        club_id=dive.club_id,
    )


def _opted_out(session: Session, dive: Dive, phones: set[str]) -> set[str]:
    """Those of these phones to which nothing may go."""
    if not phones:
        return set()
    number = dives.receiving_number_of(session, dive.id)
    return {phone for phone in phones if opt_outs.is_opted_out(session, number, phone)}


def actor_of(service: Service, actor: Actor) -> dict[str, object]:
    """Who did it, and which of our processes recorded it."""
    return {**plain(actor), "process": service.process}


def _people(session: Session, dive: Dive, draft: Draft) -> list[Recipient]:
    if draft.to.key != ADMINS:
        return [draft.to]
    return [
        Recipient(key=f"admin-{admin.id}", name=admin.name, phone=admin.phone)
        for admin in admins.admins_to_tell(session, dive.club_id)
    ]


def _message(dive: Dive, draft: Draft, person: Recipient, body: str, seq: int, now: datetime) -> NewMessage:
    return NewMessage(
        club_id=dive.club_id,
        dive_id=dive.id,
        person_key=person.key,
        name=person.name,
        phone=person.phone or "",
        kind=draft.kind.name.lower(),
        priority=int(draft.kind),
        rank=draft.rank,
        step=draft.step,
        channel=draft.channel,
        language=person.language,
        email=person.email if draft.channel is Channel.EMAIL else None,
        subject=draft.subject,
        body=body,
        segments=len(segments(body).parts) if draft.channel is Channel.TEXT else 0,
        cause_seq=seq,
        queued_at=now,
        due_at=draft.due_at,
        expires_at=draft.expires_at,
    )


def _log_refusal(service: Service, session: Session, dive: Dive, command: Command, refusal: Refusal) -> None:
    detail = {"command": type(command).__name__, "code": refusal.code, "words": refusal.words}
    _log(service, session, dive, "refused", getattr(command, "by", CLOCK), detail, refusal.at)
