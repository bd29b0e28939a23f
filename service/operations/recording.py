"""Decide, record, then tell: the events, their log entries and their messages are one transaction."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Command, Dive, Event, Refusal, decide, evolve, next_due_at
from service.domain.dive.commands import NoteUnreachable
from service.domain.dive.events import Closed
from service.domain.encoding import segments
from service.domain.people import ADMINS, CLOCK, Actor, Recipient
from service.domain.wording import Draft, MessageKind, messages_for
from service.operations.links import with_link
from service.operations.service import Service
from service.store import admins, dives, log, opt_outs, outbox
from service.store.codec import dump_event, plain
from service.store.outbox import NewMessage

# What would only mislead once it is over. Stand-downs and replies still go out.
SUPERSEDED_AT_CLOSE = (
    MessageKind.DISTRESS,
    MessageKind.ALERT,
    MessageKind.REMINDER,
    MessageKind.START_NOTICE,
    MessageKind.OTHER,
)


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
    decision = decide(dive, command, now)
    if isinstance(decision, Refusal):
        _log_refusal(session, dive, command, decision)
        return Applied(dive, (), decision)
    if not decision:
        return Applied(dive, ())
    after = record(service, session, dive, decision, now)
    return Applied(after, decision)


def act(service: Service, dive_id: str, command: Command) -> Applied | None:
    """One command in one transaction, from a page, the API or a process."""
    now = service.clock.now()
    applied = service.write(lambda session: apply(service, session, dive_id, command, now))
    if applied is not None and applied.events:
        service.nudge()
    return applied


def record(service: Service, session: Session, dive: Dive, events: Sequence[Event], now: datetime) -> Dive:
    """Write what happened to a dive that is in the database: log, messages, row."""
    before = dive.version
    withheld: list[str] = []
    for event in events:
        dive = evolve(dive, event)
        withheld += log_and_queue(service, session, dive, event, now)
    dives.save(session, dive, expected_version=before, next_due_at=next_due_at(dive))
    if any(isinstance(event, Closed) for event in events):
        outbox.expire_superseded(session, dive.id, SUPERSEDED_AT_CLOSE, now)
    for key in dict.fromkeys(withheld):
        dive = apply_to(service, session, dive, NoteUnreachable(person=key, reason="opted_out"), now).dive
    return dive


def log_and_queue(service: Service, session: Session, dive: Dive, event: Event, now: datetime) -> list[str]:
    """One log entry for the event, one for the messages it causes; gives the keys that have opted out."""
    kind, detail = dump_event(event)
    seq = log.append(
        session,
        chain=log.dive_chain(dive.id),
        at=now,
        kind=f"event:{kind}",
        actor=actor_of(service, getattr(event, "by", CLOCK)),
        detail=detail,
        dive_id=dive.id,
        club_id=dive.club_id,
    )
    queued, withheld = [], []
    for draft in messages_for(dive, event):
        for person in _people(session, dive, draft):
            if person.phone is None:
                continue
            if opt_outs.is_opted_out(session, dives.receiving_number_of(session, dive.id), person.phone):
                withheld.append(person.key)
                continue
            body = with_link(session, dive, draft, person.key, service.public_url, now)
            message = _message(dive, draft, person, body, seq, now)
            message_id = outbox.queue(session, message)
            if message_id is not None:
                queued.append({"id": message_id, "person": person.key, "step": draft.step, "kind": draft.kind.name})
    if queued or withheld:
        log.append(
            session,
            chain=log.dive_chain(dive.id),
            at=now,
            kind="messages",
            actor=actor_of(service, CLOCK),
            detail={"cause": seq, "queued": queued, "opted_out": withheld},
            dive_id=dive.id,
            club_id=dive.club_id,
        )
    return withheld


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
        body=body,
        segments=len(segments(body).parts),
        cause_seq=seq,
        queued_at=now,
        due_at=draft.due_at,
        expires_at=draft.expires_at,
    )


def _log_refusal(session: Session, dive: Dive, command: Command, refusal: Refusal) -> None:
    by = getattr(command, "by", CLOCK)
    log.append(
        session,
        chain=log.dive_chain(dive.id),
        at=refusal.at,
        kind="refused",
        actor=plain(by),
        detail={"command": type(command).__name__, "code": refusal.code, "words": refusal.words},
        dive_id=dive.id,
        club_id=dive.club_id,
    )
