"""Texts that come in: stored before they are acknowledged, answered once, never lost."""

from __future__ import annotations

import logging
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.people import Actor, Role, Via
from service.domain.phone import PhoneError, read_phone
from service.domain.texts import read
from service.operations.gateway import InboundText
from service.operations.service import Service
from service.operations.texting import Answer, Text, answer
from service.store import clubs, inbound, log, outbox
from service.store.codec import plain
from service.store.outbox import NewMessage
from service.store.tables.inbound import InboundTextRow

_LOG = logging.getLogger(__name__)

SERVICE_CHAIN = "service"
TRIES_MAX = 3
ANSWERS_WITHOUT_DIVE_MAX = 5  # an hour: two machines that answer each other must come to an end
WAITING_AFTER_S = 2.0  # real seconds; the web answers at once; what is older than this it did not


def receive_text(service: Service, text: InboundText, *, authentic: bool) -> int | None:
    """Store a text and commit; only then may the gateway be told that we have it. None for one we had before."""
    now = service.clock.now()

    def work(session: Session) -> int | None:
        stored = inbound.store(
            session,
            gateway=text.gateway,
            provider_id=text.provider_id,
            sender=text.sender,
            receiver=text.receiver,
            body=text.body,
            raw=text.raw,
            received_at=now,
            authentic=authentic,
        )
        if stored is not None:
            _log_received(session, text, authentic=authentic, inbound_id=stored, now=now)
        return stored

    return service.write(work)


def _log_received(session: Session, text: InboundText, *, authentic: bool, inbound_id: int, now: datetime) -> None:
    club = clubs.by_receiving_number(session, text.receiver)
    log.append(
        session,
        chain=log.club_chain(club.id) if club else SERVICE_CHAIN,
        at=now,
        kind="text_in" if authentic else "text_in_unauthentic",
        actor={"role": "gateway", "name": text.gateway},
        detail={"inbound": inbound_id, "sender": text.sender, "body": text.body, "provider_id": text.provider_id},
        club_id=club.id if club else None,
    )


def answer_text(service: Service, inbound_id: int) -> None:
    """Read, decide, and queue the answer: once, however often it is called.

    A text that breaks us three times is put aside, loudly; the clock of its dive runs on.
    """
    now = service.clock.now()
    try:
        service.write(lambda session: _answer_once(service, session, inbound_id, now))
    except Exception:
        _LOG.exception("text_not_answered", extra={"inbound": inbound_id})
        service.write(lambda session: _put_aside(session, inbound_id, now))
        raise
    service.nudge()


def answer_waiting(service: Service, limit: int = 50) -> int:
    """Answer what nobody answered: the web process died, or the database was away. Gives how many were tried."""
    older_than = service.clock.now() - timedelta(seconds=clock_seconds(service.clock, WAITING_AFTER_S))
    waiting = service.read(lambda session: inbound.unanswered(session, limit, older_than))
    for inbound_id in waiting:
        try:
            answer_text(service, inbound_id)
        except Exception:
            # Already logged and counted; the others must not wait for it.
            _LOG.warning("text_left_for_later", extra={"inbound": inbound_id})
    return len(waiting)


def _answer_once(service: Service, session: Session, inbound_id: int, now: datetime) -> None:
    row = inbound.lock_one(session, inbound_id)
    if row is None or row.state != "stored":
        return
    club = clubs.by_receiving_number(session, row.receiver)
    if club is None or not row.authentic:
        note = "not authentic" if club else "no club has this receiving number"
        inbound.quarantine(session, inbound_id, note=note, now=now)
        return
    try:
        phone = read_phone(row.sender, club.country)
    except PhoneError:
        inbound.quarantine(session, inbound_id, note="the sender is no number that can be answered", now=now)
        return
    text = Text(service, session, club, inbound_id, phone, row.body, read(row.body), now)
    answered = answer(text)
    if answered.words is not None:
        _queue(text, answered, answered.words)
    _log_read(text, row, answered)
    inbound.mark_answered(
        session,
        inbound_id,
        club_id=club.id,
        dive_id=answered.dive_id,
        intent=str(text.intent.kind),
        note=answered.note,
        now=now,
    )


def _queue(text: Text, answered: Answer, words: str) -> None:
    """The answer to this one text. Strangers get a few an hour, whoever has a dive gets every one."""
    session, now = text.session, text.now
    hour_ago = now - timedelta(hours=1)
    if answered.dive_id is None:
        sent = outbox.count_without_dive(session, text.club.id, text.phone, hour_ago)
        if sent >= ANSWERS_WITHOUT_DIVE_MAX:
            return
    outbox.queue(
        session,
        NewMessage(
            club_id=text.club.id,
            dive_id=answered.dive_id,
            person_key=f"phone:{text.phone}",
            name="",
            phone=text.phone,
            kind="reply",
            priority=4,
            rank=0,
            step=f"answer-{text.inbound_id}",
            body=words,
            segments=1,
            cause_seq=None,
            queued_at=now,
            due_at=now,
            expires_at=now + timedelta(minutes=15),
        ),
    )


def _log_read(text: Text, row: InboundTextRow, answered: Answer) -> None:
    actor = Actor(role=Role.STRANGER, name="", via=Via.TEXT, phone=text.phone, words=row.body)
    chain = log.dive_chain(answered.dive_id) if answered.dive_id else log.club_chain(text.club.id)
    log.append(
        text.session,
        chain=chain,
        at=text.now,
        kind="text_read",
        actor=plain(actor),
        detail={
            "inbound": text.inbound_id,
            "intent": str(text.intent.kind),
            "answer": answered.words,
            "note": answered.note,
        },
        dive_id=answered.dive_id,
        club_id=text.club.id,
    )


def _put_aside(session: Session, inbound_id: int, now: datetime) -> None:
    tries = inbound.count_try(session, inbound_id)
    if tries < TRIES_MAX:
        return
    inbound.quarantine(session, inbound_id, note=f"failed {tries} times", now=now)
    log.append(
        session,
        chain=SERVICE_CHAIN,
        at=now,
        kind="text_put_aside",
        actor={"role": "clock", "name": "the service"},
        detail={"inbound": inbound_id, "tries": tries},
    )
