"""Texts that come in: stored before they are acknowledged, answered once, never lost."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial
from typing import Any

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.encoding import segments
from service.domain.people import Actor, Role, Via
from service.domain.phone import PhoneError, read_phone
from service.domain.sending import Sort
from service.domain.texts import Intent, Kind, read
from service.domain.texts.incomplete import read_incomplete
from service.domain.wording import MessageKind
from service.domain.wording.drafts import REPLY_LASTS
from service.operations import service_log
from service.operations.addressing import Answer, Text
from service.operations.gateway import InboundText
from service.operations.links import with_pack
from service.operations.long_texts import PARTS_MISSING, keep_part, overdue, with_gaps
from service.operations.same_text import same_text_of_another
from service.operations.sending_bounds import held
from service.operations.service import Service
from service.operations.texting import answer
from service.store import clubs, inbound, inbound_parts, log, opt_outs, outbox
from service.store.codec import canonical, plain, stamp
from service.store.engine import is_transient
from service.store.inbound_parts import Key
from service.store.outbox import NewMessage
from service.store.tables import ClubRow, InboundTextRow

_LOG = logging.getLogger(__name__)

TRIES_MAX = 3
ANSWERS_WITHOUT_DIVE_MAX = 5  # an hour: two machines that answer each other must come to an end
UNCLEAR_ANSWERS_MAX = 3  # in ten minutes, from a phone with a dive too: "I am driving" answers each of our texts
UNCLEAR_WITHIN = timedelta(minutes=10)
ENOUGH = "not sent: not understood three times"
LAY_FOR = timedelta(minutes=1)  # what lay longer, on a disk or at a gateway, is told by when it came
WAITING_AFTER_S = 2.0  # real seconds; the web answers at once; what is older than this it did not


class Way(StrEnum):
    """How a text got into the database."""

    POSTED = "posted"  # by its gateway, at once
    SPOOLED = "spooled"  # kept on disk while the database was away
    LISTED = "listed"  # found in the gateway's list: it was never posted, or nobody took it


def receive_text(service: Service, text: InboundText, *, authentic: bool, way: Way = Way.POSTED) -> int | None:
    """Store a text, or a part of one, and commit; only then may the gateway be told that we have it.

    Gives the id of a text to be answered. None for what needs no answer: a part while others are missing, and a text
    that we had before, from this gateway under the same id, or from another one.
    """
    now = service.clock.now()
    # A gateway's clock that is ahead must not make a text wait for it.
    text = replace(text, received_at=min(text.received_at, now))

    def work(session: Session) -> int | None:
        at = _arrival(session, text, way, now)
        if not authentic:
            return _store(session, at, text, authentic=False)
        if text.part is None:
            return _store(session, at, text, authentic=True)
        log.hold(session, at.chain)
        whole = keep_part(session, service.clock, text, text.part, at.chain, at.club_id)
        stored = [_store(session, at, one.text, authentic=True, part_ids=one.part_ids) for one in whole]
        return stored[-1] if stored else None

    return service.write(work)


def receive_together(service: Service, texts: Sequence[InboundText]) -> list[int | None]:
    """As `receive_text` for each of these, authentic and whole, to one number, just posted; with one commit for all."""
    now = service.clock.now()

    def work(session: Session) -> list[int | None]:
        at = _arrival(session, texts[0], Way.POSTED, now)
        book = log.Book(session)
        received = [replace(text, received_at=min(text.received_at, now)) for text in texts]
        stored = [_store_in(book, session, at, text, authentic=True) for text in received]
        book.write()
        return stored

    return service.write(work)


def join_overdue(service: Service, limit: int = 200) -> int:
    """Put together long texts of which a part never came, as far as they came, to be answered; how many there were."""
    keys = service.read(lambda session: overdue(session, service.clock, limit))
    for key in keys:
        try:
            while service.write(partial(_join, service, key)):
                pass  # an outage may have left the parts of several texts of one reference
        except Exception as error:  # noqa: BLE001 - one text that breaks us must not keep the others waiting
            _LOG.exception("text_not_joined", extra={"gateway": key.gateway})
            if is_transient(error):
                break
    return len(keys)


def _join(service: Service, key: Key, session: Session) -> bool:
    """Put one text together and store it; False when there is none that waits too long."""
    at = _arrival(session, key, Way.POSTED, service.clock.now())
    log.hold(session, at.chain)
    whole = with_gaps(session, service.clock, key)
    if whole is None:
        return False
    _store(session, at, whole.text, authentic=True, part_ids=whole.part_ids)
    return True


@dataclass(frozen=True, slots=True)
class _Arrival:
    """Where what comes to one of our numbers is logged, and how and when it came."""

    club: ClubRow | None
    way: Way
    now: datetime

    @property
    def chain(self) -> str:
        return log.club_chain(self.club.id) if self.club else service_log.SERVICE_CHAIN

    @property
    def club_id(self) -> str | None:
        return self.club.id if self.club else None


def _arrival(session: Session, brought: InboundText | Key, way: Way, now: datetime) -> _Arrival:
    return _Arrival(clubs.by_receiving_number(session, brought.receiver), way, now)


def _store(
    session: Session, at: _Arrival, text: InboundText, *, authentic: bool, part_ids: tuple[int, ...] = ()
) -> int | None:
    """Store and log a text; its id if it is to be answered."""
    book = log.Book(session)
    stored = _store_in(book, session, at, text, authentic=authentic, part_ids=part_ids)
    book.write()
    return stored


def _store_in(
    book: log.Book,
    session: Session,
    at: _Arrival,
    text: InboundText,
    *,
    authentic: bool,
    part_ids: tuple[int, ...] = (),
) -> int | None:
    # One after the other: two gateways bring the same text within milliseconds, and phones the parts of one.
    book.hold([at.chain])
    same_as = same_text_of_another(session, text, at.club.country if at.club else None) if authentic else None
    stored = inbound.store(
        session,
        gateway=text.gateway,
        provider_id=text.provider_id,
        sender=text.sender,
        receiver=text.receiver,
        body=text.body,
        raw=text.raw,
        received_at=text.received_at,
        authentic=authentic,
        same_as=same_as,
    )
    if stored is None:
        return None
    detail: dict[str, Any] = {"inbound": stored}
    if at.way is not Way.POSTED:
        detail |= {"way": str(at.way), "received_at": stamp(text.received_at)}
    if same_as is not None:
        detail["same_as"] = same_as
    if part_ids:
        inbound_parts.tie(session, part_ids, stored)
        detail["parts"] = list(part_ids)
    _log_received(book, text, at, authentic=authentic, detail=detail)
    return stored if same_as is None else None


def _log_received(book: log.Book, text: InboundText, at: _Arrival, *, authentic: bool, detail: dict[str, Any]) -> None:
    book.add(
        at.chain,
        at=at.now,
        kind="text_in" if authentic else "text_in_unauthentic",
        actor=canonical({"role": "gateway", "name": text.gateway}),
        detail=canonical(detail | {"sender": text.sender, "body": text.body, "provider_id": text.provider_id}),
        club_id=at.club_id,
    )


def answer_text(service: Service, inbound_id: int) -> None:
    """Read, decide, and queue the answer: once, however often it is called.

    A text that breaks us three times is put aside, loudly; the clock of its dive runs on. A fault of the database
    is no fault of the text and does not count. Raises whatever went wrong.
    """
    now = service.clock.now()
    try:
        service.write(lambda session: _answer_once(service, session, inbound_id, now))
    except Exception as error:
        _LOG.exception("text_not_answered", extra={"inbound": inbound_id})
        if not is_transient(error):
            service.write(lambda session: _count_failure(service, session, inbound_id, now))
        raise
    service.nudge()


def answer_waiting(service: Service, limit: int = 50) -> int:
    """Answer what nobody answered: the web process died, or the database was away. Gives how many were tried."""
    older_than = service.clock.now() - timedelta(seconds=clock_seconds(service.clock, WAITING_AFTER_S))
    waiting = service.read(lambda session: inbound.unanswered(session, limit, older_than))
    for inbound_id in waiting:
        try:
            answer_text(service, inbound_id)
        except Exception as error:  # noqa: BLE001 - one text that breaks us must not keep the others waiting
            # Already logged and counted; the others must not wait for it, unless it is the database that fails.
            _LOG.warning("text_left_for_later", extra={"inbound": inbound_id})
            if is_transient(error):
                break
    return len(waiting)


def _answer_once(service: Service, session: Session, inbound_id: int, now: datetime) -> None:
    row = inbound.lock_one(session, inbound_id)
    if row is None or row.state != inbound.STORED:
        return
    club = clubs.by_receiving_number(session, row.receiver)
    if club is None or not row.authentic:
        _put_aside(service, session, row, "not authentic" if club else "no club has this receiving number", now)
        return
    try:
        phone = read_phone(row.sender, club.country)
    except PhoneError:
        _put_aside(service, session, row, "the sender is no number that can be answered", now)
        return
    intent = read_incomplete(row.body) if PARTS_MISSING in row.raw else read(row.body)
    enough = _answered_enough(session, row, intent, now)
    said_at = row.received_at if now - row.received_at > LAY_FOR else None
    text = Text(
        service, session, club, inbound_id, phone, row.body, intent, now, answer_unclear=not enough, said_at=said_at
    )
    answered = answer(text)
    if enough and (answered.has_dive or answered.dive_id is not None):  # strangers have a bound of their own
        answered = replace(answered, words=None, note=_noted(answered, ENOUGH))
    if answered.words is not None:
        answered = _queue(text, answered, answered.words)
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


def _answered_enough(session: Session, row: InboundTextRow, intent: Intent, now: datetime) -> bool:
    """Whether this phone has had the answer to a text that is not understood often enough for now.

    Only that answer ends: the text is kept, logged and passed on, and whatever is understood is answered. Worry and
    SOS are understood.
    """
    if intent.kind is not Kind.UNCLEAR:
        return False
    since, kind = now - UNCLEAR_WITHIN, str(Kind.UNCLEAR)
    sent = inbound.alike_since(session, row.receiver, row.sender, since, intent=kind, but_noted=ENOUGH)
    return sent >= UNCLEAR_ANSWERS_MAX


def _queue(text: Text, answered: Answer, words: str) -> Answer:
    """The answer to this one text. Strangers get a few an hour, whoever has an open dive gets every one."""
    session, now = text.session, text.now
    if opt_outs.is_opted_out(session, text.club.receiving_number, text.phone):
        return replace(answered, words=None, note=_noted(answered, "not sent: opted out"))
    if answered.dive_id is None and not answered.has_dive:
        sent = outbox.count_without_dive(session, text.club.id, text.phone, now - timedelta(hours=1))
        if sent >= ANSWERS_WITHOUT_DIVE_MAX:
            return replace(answered, words=None, note=_noted(answered, "not sent: enough answers this hour"))
        parts = len(segments(words).parts)
        # Somebody in trouble whom nobody knows is told whom to call, whatever else was sent.
        if text.intent.reserved or text.intent.kind not in (Kind.RAISE_NOW, Kind.WORRY):
            bounded = held(text.service, session, text.club, Sort.ANSWER, [text.phone], parts, now)
            if bounded is not None:
                return replace(answered, words=None, note=_noted(answered, f"not sent: {bounded.words}"))
    body, pack = words, answered.pack_for
    if pack is not None:
        body = with_pack(session, pack.dive, words, pack.person_key, text.service.public_url, now)
    outbox.queue(
        session,
        NewMessage(
            club_id=text.club.id,
            dive_id=answered.dive_id,
            person_key=f"phone:{text.phone}",
            name="",
            phone=text.phone,
            kind="reply",
            priority=int(MessageKind.REPLY),
            step=f"answer-{text.inbound_id}",
            body=body,
            segments=len(segments(body).parts),
            queued_at=now,
            due_at=now,
            expires_at=now + REPLY_LASTS,
        ),
    )
    return answered


def _noted(answered: Answer, more: str) -> str:
    return f"{answered.note}; {more}" if answered.note else more


def _log_read(text: Text, row: InboundTextRow, answered: Answer) -> None:
    actor = Actor(role=Role.STRANGER, name="", via=Via.TEXT, phone=text.phone, words=row.body)
    chain = log.chain_of(answered.dive_id, text.club.id)
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


def _count_failure(service: Service, session: Session, inbound_id: int, now: datetime) -> None:
    row = inbound.lock_one(session, inbound_id)
    if row is None or row.state != inbound.STORED:
        return
    tries = inbound.count_try(session, inbound_id)
    if tries >= TRIES_MAX:
        _put_aside(service, session, row, f"failed {tries} times", now)


def _put_aside(service: Service, session: Session, row: InboundTextRow, note: str, now: datetime) -> None:
    inbound.quarantine(session, row.id, note=note, now=now)
    service_log.note(service, session, "text_put_aside", {"inbound": row.id, "note": note}, now)
