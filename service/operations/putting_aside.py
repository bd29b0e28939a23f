"""A text on which our code fails each time: put aside, and what it may have asked for is done by the plainest path.

It may have been a call for help. So nothing here reads the state of a dive or asks the rules, each part stands by
itself, and whatever else fails, the text is put aside and the admins hear of it.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Any, Final, TypeVar

from sqlalchemy.orm import Session

from service.domain import codes
from service.domain.dive.state import LIVE, REOPEN_WITHIN, Phase
from service.domain.phone import read_phone
from service.domain.texts import Intent, Kind, read
from service.domain.texts.incomplete import read_incomplete
from service.domain.wording.general import put_aside as words_for
from service.operations import service_log
from service.operations.answers_to_strangers import calls_for_help, enough_answered, queue_answer
from service.operations.contact_reading import club_language
from service.operations.help_meanwhile import admins_know
from service.operations.long_texts import PARTS_MISSING
from service.operations.plainest import raise_within
from service.operations.service import Service
from service.operations.telling_admins import is_news, tell_admins
from service.store import clubs, dives, inbound, opt_outs
from service.store.engine import is_transient
from service.store.inbound import Locked
from service.store.plain_columns import Belongs, of_phone
from service.store.tables.club import ClubRow

_LOG = logging.getLogger(__name__)
_T = TypeVar("_T")

PUT_ASIDE: Final = "text_put_aside"
UNANSWERABLE_AGAIN_AFTER: Final = timedelta(hours=1)
QUOTED: Final = 40  # characters of a text; the log has all of them
_FOR_HELP: Final = (Kind.RAISE_NOW, Kind.WORRY)


def put_aside(service: Service, session: Session, row: Locked, note: str, now: datetime, **more: Any) -> None:
    """Put a text aside for a person to look at; the log of the service says so."""
    inbound.quarantine(session, row.id, note=note, now=now)
    service_log.note(service, session, PUT_ASIDE, {"inbound": row.id, "note": note, **more}, now)


def put_aside_unheard(service: Service, session: Session, row: Locked, now: datetime) -> None:
    """Put a text aside that was sent to a number of no club. It may be a finish or an SOS: the admins hear of it.

    Once an hour for a number: what is set up wrongly is so for every text. What nobody signed tells nobody.
    """
    put_aside(service, session, row, "no club has this receiving number", now)
    if row.authentic:
        words = (
            f"Linetender fault: no club has the number {row.receiver}: a text to it from {row.sender} changed nothing."
            " Please phone them."
        )
        tell_admins(session, f"unheard-{row.receiver}-{now:%Y%m%dT%H}", words, now)


def put_aside_unanswerable(service: Service, session: Session, club: ClubRow, row: Locked, now: datetime) -> None:
    """Put a text aside whose sender is a name or a short number, as that of a satellite messenger may be.

    Nobody can be answered, and of no dive is it a phone. Where it calls for help or has a code the club's admins hear
    of it, once an hour for each sender: they can find out who it is.
    """
    put_aside(service, session, row, "the sender is no number that can be answered", now)
    intent = _or_none(lambda: read(row.body))
    matters = intent is None or intent.kind in _FOR_HELP or intent.code is not None
    mark = f"told:unanswerable:{club.id}:{row.sender}"
    if not row.authentic or not matters or admins_know(session, club.id, row.sender, row.received_at):
        return
    if is_news(service, session, mark, now, UNANSWERABLE_AGAIN_AFTER):
        words = (
            f"{row.sender}, who cannot be answered, may need help or be out: {row.body[:QUOTED]}. Find out who it is."
        )
        tell_admins(session, f"unanswerable-{row.id}", words, now, club_id=club.id)


@dataclass(frozen=True, slots=True)
class _Failed:
    """A text on which our code fails, as far as it can be read. `theirs`: the dives of its sender."""

    service: Service
    session: Session
    club: ClubRow
    inbound_id: int
    phone: str
    intent: Intent | None
    theirs: tuple[Belongs, ...]
    now: datetime

    @property
    def may_call_for_help(self) -> bool:
        """A text that nobody can read may do so, too."""
        return self.intent is None or self.intent.kind in _FOR_HELP


def give_up(service: Service, session: Session, row: Locked, note: str, now: datetime) -> None:
    """Put a text aside on which our code fails, whose row is locked: who calls for help is heard all the same.

    Raises what the database raises; then all of it is done again.
    """
    club = clubs.by_receiving_number(session, row.receiver)
    failed = None if club is None else _alone(session, lambda: _as_far_as_read(service, session, row, club, now))
    told = _raise(failed) if failed else []
    if failed is not None:
        _alone(session, lambda: _answer(failed, told=bool(told)))
    put_aside(service, session, row, note, now, alarmed=told)
    words = f"Linetender fault: our code failed on a text from {row.sender}, it changed nothing. Please phone them."
    step, club_id = f"{PUT_ASIDE}-{row.id}", club.id if club else None
    _alone(session, lambda: tell_admins(session, step, words, now, club_id=club_id))


def _as_far_as_read(service: Service, session: Session, row: Locked, club: ClubRow, now: datetime) -> _Failed:
    intent = _or_none(lambda: read_incomplete(row.body) if PARTS_MISSING in row.raw else read(row.body))
    phone = _or_none(lambda: read_phone(row.sender, club.country)) or row.sender
    theirs = of_phone(session, club.receiving_number, phone, now - REOPEN_WITHIN)
    return _Failed(service, session, club, row.id, phone, intent, tuple(theirs), now)


def _raise(failed: _Failed) -> list[str]:
    """Raise the plainest alarm for whatever dive may be meant; for which of them somebody is told."""
    session = failed.session
    meant = _alone(session, lambda: _meant(failed)) if failed.may_call_for_help else None
    return [dive_id for dive_id in meant or () if _alone(session, partial(_raise_one, failed, dive_id))]


def _raise_one(failed: _Failed, dive_id: str) -> bool:
    return raise_within(failed.service, failed.session, dive_id, failed.now, even_closed=True, once=True)


def _meant(failed: _Failed) -> list[str]:
    """As for an SOS that our code can act on: the dives that are named, or the live ones, or a filed or closed one.

    Nobody goes out for what is marked EXERCISE: it is meant only where it is named, or where nothing real can be.
    """
    intent, real = failed.intent, [one for one in failed.theirs if not one.drill]
    chosen = (_named(failed, intent) if intent else []) or _live(real)
    if not chosen and (intent is None or not intent.reserved):
        filed = [one.dive_id for one in real if one.phase == Phase.FILED]
        chosen = filed[:1] or [one.dive_id for one in real[:1]]
    return chosen or _live(failed.theirs)


def _live(theirs: Sequence[Belongs]) -> list[str]:
    return [one.dive_id for one in theirs if one.phase in LIVE]


def _named(failed: _Failed, intent: Intent) -> list[str]:
    """By the reference, or from a borrowed phone by a code."""
    by_reference = [one.dive_id for one in failed.theirs if intent.ref and one.reference == intent.ref]
    code = intent.code or ""
    found = dives.by_code(failed.session, failed.club.receiving_number, code) if codes.is_valid(code) else None
    return by_reference or ([found.dive_id] if found else [])


def _answer(failed: _Failed, *, told: bool) -> None:
    """Whoever wrote hears that it changed nothing, and whom to call; of strangers only who may be in trouble."""
    session, club, phone, now = failed.session, failed.club, failed.phone, failed.now
    if failed.intent is not None and failed.intent.kind is Kind.OPT_OUT:
        return  # the carrier answers
    if opt_outs.is_opted_out(session, club.receiving_number, phone):
        return
    for_help = failed.intent is None or calls_for_help(failed.intent)
    if not failed.theirs and not failed.may_call_for_help:
        return
    if not failed.theirs and enough_answered(session, club.id, phone, now, for_help=for_help):
        return
    body = words_for(club.name, club.rescue_call, told=told, language=club_language(club))
    queue_answer(session, club.id, phone, failed.inbound_id, body, now, for_help=for_help)


def _or_none(reading: Callable[[], _T]) -> _T | None:
    try:
        return reading()
    except Exception:  # noqa: BLE001 - it is our code that fails on this text, and this may be where
        _LOG.exception("text_not_read")
        return None


def _alone(session: Session, work: Callable[[], _T]) -> _T | None:
    """Do it so that its failing undoes nothing else; None where it failed. Raises what the database raises."""
    try:
        with session.begin_nested():
            return work()
    except Exception as error:
        if is_transient(error):
            raise
        _LOG.exception("text_put_aside_in_part")
        return None
