"""Texts that are stored: each is read, acted upon and answered once, never lost."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.encoding import segments
from service.domain.people import Actor, Role, Via
from service.domain.phone import PhoneError, read_phone
from service.domain.sending import Sort
from service.domain.texts import Intent, Kind, read
from service.domain.texts.incomplete import read_incomplete
from service.operations.addressing import Answer, Text
from service.operations.answers_to_strangers import calls_for_help, enough_answered, queue_answer
from service.operations.canary_dive_health import TEXTS_BY
from service.operations.help_meanwhile import is_answered
from service.operations.help_without_dive import told_to_admins
from service.operations.links import with_pack
from service.operations.long_texts import PARTS_MISSING
from service.operations.putting_aside import give_up, put_aside, put_aside_unanswerable, put_aside_unheard
from service.operations.sending_bounds import held
from service.operations.service import Service
from service.operations.signed_answers import by_own_name
from service.operations.texting import answer
from service.store import clubs, inbound, log, opt_outs
from service.store.codec import plain
from service.store.dives import UnreadableDive
from service.store.engine import is_transient
from service.store.inbound import Locked

_LOG = logging.getLogger(__name__)

TRIES_MAX = 3
# In ten minutes, from a phone with a dive too: "I am driving" answers each of our texts. Whoever looks for the right
# words in an alarm writes others each time.
SAME_WORDS_ANSWERED_MAX, UNCLEAR_ANSWERS_MAX = 3, 10
UNCLEAR_WITHIN = timedelta(minutes=10)
ENOUGH = "not sent: not understood too often"
LAY_FOR = timedelta(minutes=1)  # what lay longer, on a disk or at a gateway, is told by when it came
AT_ONE_LOOK = 10  # whatever falls due meanwhile waits behind them
# Real seconds; the web answers at once, and what is older than this it did not. Sooner, sweeps would take the same
# texts as a web that is behind by seconds, and both the processor from whoever stores the next.
WAITING_AFTER_S = 5.0

LEFT_FOR_LATER: Final = "text_left_for_later"
ONE_BY_ONE: Final = "texts_answered_one_by_one"


def answer_text(service: Service, inbound_id: int) -> None:
    """Read, decide, and queue the answer: once, however often it is called.

    A text that breaks us three times is put aside, loudly; the clock of its dive runs on, and what may have been a
    call for help is raised by the plainest path. A fault of the database is no fault of the text and does not count.
    Raises whatever went wrong.
    """
    try:
        _answer_in_one(service, inbound_id)
    except Exception as error:
        _LOG.exception("text_not_answered", extra={"inbound": inbound_id})
        if not is_transient(error):
            service.write(lambda session: _count_failure(service, session, inbound_id, service.clock.now()))
            service.nudge()
        raise
    service.nudge()


def _answer_in_one(service: Service, inbound_id: int) -> None:
    """In one transaction, and in another where a dive turns out to be unreadable on the way: it undoes the first."""
    try:
        service.write(lambda session: _answer_once(service, session, inbound_id))
    except UnreadableDive as fault:
        broken = fault.dive_id
        service.write(lambda session: _answer_once(service, session, inbound_id, broken))


def answer_together(service: Service, inbound_ids: Sequence[int]) -> None:
    """As `answer_text` for each of these, in their order, with one commit for all: each waits for whoever else writes.

    So no moment lies between them either in which a dive is judged by the first of its texts alone. Where one of them
    breaks us, each is answered by itself. Raises what went wrong with the database.
    """
    try:
        service.write(lambda session: _answer_each(service, session, inbound_ids))
    except Exception as error:
        if is_transient(error):
            raise
        _LOG.warning(ONE_BY_ONE, exc_info=True)
        for inbound_id in inbound_ids:
            _answer_or_leave(service, inbound_id)
        return
    service.nudge()


def _answer_each(service: Service, session: Session, inbound_ids: Sequence[int]) -> None:
    for inbound_id in inbound_ids:
        _answer_once(service, session, inbound_id)


def _answer_or_leave(service: Service, inbound_id: int) -> bool:
    """Answer it, or leave it to the next sweep. Whether it is of use to go on: not where the database fails."""
    try:
        answer_text(service, inbound_id)
    except Exception as error:  # noqa: BLE001 - one text that breaks us must not keep the others waiting
        _LOG.warning(LEFT_FOR_LATER, extra={"inbound": inbound_id})
        return not is_transient(error)
    return True


def answer_waiting(service: Service) -> int:
    """Answer what nobody answered: the web process died, or the database was away.

    Gives how many were tried before the database failed, if it did.
    """
    older_than = service.clock.now() - timedelta(seconds=clock_seconds(service.clock, WAITING_AFTER_S))
    waiting = service.read(lambda session: inbound.unanswered(session, AT_ONE_LOOK, older_than))
    for place, inbound_id in enumerate(waiting):
        if not _answer_or_leave(service, inbound_id):
            return place
    return len(waiting)


def _answer_once(service: Service, session: Session, inbound_id: int, broken: str | None = None) -> None:
    row = inbound.lock_one(session, inbound_id)
    if row is None or row.state != inbound.STORED:
        return
    now = service.clock.now()  # once the others are done: what they have decided meanwhile was before this
    club = clubs.by_receiving_number(session, row.receiver)
    if club is None:
        put_aside_unheard(service, session, row, now)
        return
    if not row.authentic:
        put_aside(service, session, row, "not authentic", now)
        return
    try:
        phone = read_phone(row.sender, club.country)
    except PhoneError:
        put_aside_unanswerable(service, session, club, row, now)
        return
    intent = read_incomplete(row.body) if PARTS_MISSING in row.raw else read(row.body)
    intent = by_own_name(session, club, phone, intent, now)
    enough = _answered_enough(session, row, intent, now)
    said_at = row.received_at if now - row.received_at > LAY_FOR else None
    text = Text(
        service,
        session,
        club,
        inbound_id,
        phone,
        row.body,
        intent,
        now,
        answer_unclear=not enough,
        by_us=row.gateway == TEXTS_BY,
        said_at=said_at,
        broken=broken,
    )
    answered = answer(text)
    if answered.unheard:
        answered = told_to_admins(text, answered)
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


def _answered_enough(session: Session, row: Locked, intent: Intent, now: datetime) -> bool:
    """Whether this phone has had the answer to a text that is not understood often enough for now.

    Only that answer ends: the text is kept, logged and passed on, and whatever is understood is answered. Worry and
    SOS are understood.
    """
    if intent.kind is not Kind.UNCLEAR:
        return False
    since, kind = now - UNCLEAR_WITHIN, str(Kind.UNCLEAR)
    words = inbound.alike_since(session, row.receiver, row.sender, since, intent=kind, but_noted=ENOUGH)
    return words.count(row.body) >= SAME_WORDS_ANSWERED_MAX or len(words) >= UNCLEAR_ANSWERS_MAX


def _queue(text: Text, answered: Answer, words: str) -> Answer:
    """The answer to this one text. Strangers get a few an hour, whoever has an open dive gets every one."""
    session, now, for_help = text.session, text.now, calls_for_help(text.intent)
    if opt_outs.is_opted_out(session, text.club.receiving_number, text.phone):
        return replace(answered, words=None, note=_noted(answered, "not sent: opted out"))
    if for_help and is_answered(session, text.club.id, text.phone, inbound.came_at(session, text.inbound_id)):
        return replace(answered, words=None, note=_noted(answered, "not sent: answered in the outage"))
    if answered.dive_id is None and not answered.has_dive:
        if enough_answered(session, text.club.id, text.phone, now, for_help=for_help):
            return replace(answered, words=None, note=_noted(answered, "not sent: enough answers this hour"))
        parts = len(segments(words).parts)
        # Somebody in trouble whom nobody knows is told whom to call, whatever else was sent.
        if not for_help:
            bounded = held(text.service, session, text.club, Sort.ANSWER, [text.phone], parts, now)
            if bounded is not None:
                return replace(answered, words=None, note=_noted(answered, f"not sent: {bounded.words}"))
    body, pack = words, answered.pack_for
    if pack is not None:
        body = with_pack(session, pack.dive, words, pack.person_key, text.service.public_url, now)
    queue_answer(
        session,
        text.club.id,
        text.phone,
        text.inbound_id,
        body,
        now,
        for_help=for_help,
        dive_id=answered.dive_id,
        standing=answered.standing,
    )
    return answered


def _noted(answered: Answer, more: str) -> str:
    return f"{answered.note}; {more}" if answered.note else more


def _log_read(text: Text, row: Locked, answered: Answer) -> None:
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
        give_up(service, session, row, f"failed {tries} times", now)
