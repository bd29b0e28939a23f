"""How long personal detail is kept, and erasing what is past that. An open dive is never touched.

In small transactions, so that no alarm has to wait for one; whoever ends in the middle has done what was done, and the
next goes on. Any number may run at once: a dive is locked, and erased once. What cannot be erased keeps nothing else
from it: it is tried again by each run, and the admins are told once a week as long as it lasts.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Collection
from dataclasses import asdict
from datetime import datetime, timedelta
from functools import partial
from typing import Final

from sqlalchemy.orm import Session

from service.operations import joining, people_files
from service.operations.service import Service
from service.operations.service_log import SERVICE_CHAIN
from service.operations.telling_admins import is_news, tell_admins
from service.store import clubs, health, joins, log, people_imports, retention
from service.store.codec import canonical
from service.store.engine import is_transient
from service.store.log_erased import DETAILS_ERASED, LOOSE_KINDS
from service.store.retention import Erased
from service.store.tables import ClubRow

_LOG = logging.getLogger(__name__)

SETTING: Final = "keep_detail_days"
DAYS_USUAL: Final = 180
DAYS_MIN, DAYS_MAX = 7, 3650
NEVER: Final = 0  # days: nothing is erased
DIVES_AT_ONCE: Final = 5
ROWS_AT_ONCE: Final = 200
WITHIN_S: Final = 5.0  # real seconds of one run; the next goes on
HEARTBEAT: Final = "retention"
STEADY: Final = timedelta(days=1)
GAP: Final = timedelta(days=1)
NOT_ERASED: Final = "not_erased"
TOLD_AGAIN: Final = timedelta(days=7)
NAMED_MAX: Final = 20  # dives, in one entry of the log


def days_of(club: ClubRow) -> int:
    """How many days after its close a dive of the club keeps its personal detail; NEVER where it keeps it for good."""
    found = club.settings.get(SETTING, DAYS_USUAL)
    return found if isinstance(found, int) and (found == NEVER or DAYS_MIN <= found <= DAYS_MAX) else DAYS_USUAL


def erase_past(service: Service, *, within_s: float = WITHIN_S) -> Erased:
    """Erase what is past its time, for so many real seconds at most; how much it was.

    Nothing in the first day after it has not run for a day, nor where the clock went back: a clock that was set wrong,
    or a copy that was just put in place, must not erase what nobody can bring back.
    """
    now = service.clock.now()
    service.write(partial(_unfinished, now))
    if not service.write(partial(_steady, now)):
        return Erased()
    until = time.monotonic() + within_s
    total = Erased()
    for club in service.read(clubs.listing):
        days = days_of(club)
        if days != NEVER:
            total += _alone(service, partial(_of_club, service, club, days, now, until), club.id)
    return total + _alone(service, partial(_of_nobody, service, now, until), None)


def _alone(service: Service, work: Callable[[], Erased], club_id: str | None) -> Erased:
    """What is erased of one club, or of nobody, so that its failing keeps no other from it."""
    try:
        return work()
    except Exception as error:
        if is_transient(error):
            raise
        _LOG.exception(NOT_ERASED, extra={"club": club_id})
        tell_of_not_erased(service, club_id, ())
        return Erased()


def _unfinished(now: datetime, session: Session) -> None:
    """Forms to join that nobody proved, and lists that nobody took over: numbers of people who may not be the club's.

    Each is forgotten when the next comes, too, but the next may never come.
    """
    joins.forget_before(session, now - joining.KEPT)
    people_imports.forget_before(session, now - people_files.KEPT)


def _steady(now: datetime, session: Session) -> bool:
    """Whether this has been running for a day without a gap; notes that it ran."""
    last = health.heartbeat(session, HEARTBEAT)
    fresh = last is None or last.detail is None or not timedelta(0) <= now - last.at <= GAP
    since = now if fresh or last is None or last.detail is None else datetime.fromisoformat(last.detail)
    health.set_back(session, HEARTBEAT, now, since.isoformat())
    return now - since >= STEADY


def _of_club(service: Service, club: ClubRow, days: int, now: datetime, until: float) -> Erased:
    before = now - timedelta(days=days)
    why = f"{days} days are over"
    number = club.receiving_number
    total = _dives_of(service, club.id, before, why, now, until)
    loose = _until(until, lambda: service.write(partial(_loose, club.id, number, (), before)))
    say = partial(_note, service, log.club_chain(club.id), club.id, why, now)
    if loose:
        service.write(partial(say, loose))
    return total + loose + _entries(service, log.club_chain(club.id), before, until, say)


def _of_nobody(service: Service, now: datetime, until: float) -> Erased:
    """Texts to a number that is no club's, which the chain of the service has, and receipts for no message of ours."""
    before = now - timedelta(days=DAYS_USUAL)
    numbers = [club.receiving_number for club in service.read(clubs.listing)]
    found = _until(until, lambda: service.write(partial(_loose, None, None, numbers, before)))
    say = partial(_note, service, SERVICE_CHAIN, None, f"{DAYS_USUAL} days are over", now)
    if found:
        service.write(partial(say, found))
    return found + _entries(service, SERVICE_CHAIN, before, until, say)


def _until(until: float, work: Callable[[], Erased]) -> Erased:
    """Do it again until it finds nothing or the time is over."""
    total = Erased()
    while time.monotonic() < until and (found := work()):
        total += found
    return total


def _dives_of(service: Service, club_id: str, before: datetime, why: str, now: datetime, until: float) -> Erased:
    total, failed, more = Erased(), set[str](), True
    while more and time.monotonic() < until:
        erased, more = service.write(partial(_some_dives, service, club_id, before, why, now, failed))
        total += erased
    if failed:
        tell_of_not_erased(service, club_id, failed)
    return total


def _some_dives(
    service: Service, club_id: str, before: datetime, why: str, now: datetime, failed: set[str], session: Session
) -> tuple[Erased, bool]:
    """How much was erased of some dives, and whether there may be more; adds to `failed`, which are passed over."""
    dive_ids = retention.due(session, club_id, before, DIVES_AT_ONCE, but=failed)
    return erase_dives(service, session, club_id, dive_ids, why, now, failed), bool(dive_ids)


def erase_dives(
    service: Service, session: Session, club_id: str, dive_ids: list[str], why: str, now: datetime, failed: set[str]
) -> Erased:
    """Erase dives of a club that are closed, and locked by this transaction; their chains and the club's say so.

    One of which it fails stays as it is, keeps no other from it, and is added to `failed`.
    """
    book = log.Book(session)
    book.hold([log.dive_chain(dive_id) for dive_id in dive_ids])
    total, done = Erased(), list[str]()
    actor = canonical(_clock(service))
    for dive_id in sorted(dive_ids):
        erased = _erased(session, dive_id, club_id, now)
        if erased is None:
            failed.add(dive_id)
            continue
        total += erased
        done.append(dive_id)
        book.add(
            log.dive_chain(dive_id),
            at=now,
            kind=DETAILS_ERASED,
            actor=actor,
            detail=canonical({**_counts(erased), "why": why}),
            dive_id=dive_id,
            club_id=club_id,
        )
    if not done:
        return total
    detail = {**_counts(total), "why": why, "of": done}
    book.add(
        log.club_chain(club_id), at=now, kind=DETAILS_ERASED, actor=actor, detail=canonical(detail), club_id=club_id
    )
    book.write()
    return total


def _erased(session: Session, dive_id: str, club_id: str, now: datetime) -> Erased | None:
    """What was erased of a dive, whole or not at all; None where our code, or its rows, do not let it."""
    try:
        with session.begin_nested():
            return retention.erase_dive(session, dive_id, club_id, now)
    except Exception as error:
        if is_transient(error):
            raise
        _LOG.exception(NOT_ERASED, extra={"dive": dive_id})
        return None


def tell_of_not_erased(service: Service, club_id: str | None, dive_ids: Collection[str]) -> None:
    """Log that what is over could not be erased, of these dives or of what belongs to none, and tell the admins."""
    service.write(partial(_tell, service, club_id, sorted(dive_ids)))


def _tell(service: Service, club_id: str | None, dive_ids: list[str], session: Session) -> None:
    now = service.clock.now()
    if not is_news(service, session, f"told:{NOT_ERASED}:{club_id or SERVICE_CHAIN}", now, TOLD_AGAIN):
        return
    log.append(
        session,
        chain=SERVICE_CHAIN if club_id is None else log.club_chain(club_id),
        at=now,
        kind=NOT_ERASED,
        actor=_clock(service),
        detail={"dives": len(dive_ids), "of": dive_ids[:NAMED_MAX]},
        club_id=club_id,
    )
    of = f" of {len(dive_ids)} dives" if dive_ids else ""
    words = (
        f"Linetender fault: names and words{of} whose time is over could not be erased."
        " The log of its worker says why, under not_erased."
    )
    tell_admins(session, f"{NOT_ERASED}-{now:%Y%m%d}", words, now, club_id=club_id)


def _loose(
    club_id: str | None,
    receiver: str | None,
    receivers: tuple[str, ...] | list[str],
    before: datetime,
    session: Session,
) -> Erased:
    texts = retention.erase_loose_texts(session, before, ROWS_AT_ONCE, receiver=receiver, receivers=receivers)
    if club_id is None:
        return Erased(texts=texts, receipts=retention.erase_stray_receipts(session, before, ROWS_AT_ONCE))
    messages = retention.erase_loose_messages(session, club_id, before, ROWS_AT_ONCE)
    return Erased(texts=texts, messages=messages, reaches=retention.forget_reaches(session, club_id, before))


def _entries(
    service: Service, chain: str, before: datetime, until: float, say: Callable[[Erased, Session], None]
) -> Erased:
    """Entries of a chain, from where the last run had looked to; in the same transaction the chain says so.

    There is time for it only once nothing else is left: those of a text go after the text.
    """
    mark = f"{HEARTBEAT}:{chain}"
    total, more = Erased(), True

    def look(session: Session) -> retention.Looked:
        last = health.heartbeat(session, mark)
        after = int(last.detail) if last is not None and last.detail else 0
        looked = retention.erase_loose_entries(session, chain, after, before, ROWS_AT_ONCE, LOOSE_KINDS)
        if looked.to_seq > after:
            health.beat(session, mark, service.clock.now(), str(looked.to_seq))
        if looked.erased:
            say(Erased(entries=looked.erased), session)
        return looked

    while more and time.monotonic() < until:
        looked = service.write(look)
        total, more = total + Erased(entries=looked.erased), looked.more
    return total


def _note(
    service: Service,
    chain: str,
    club_id: str | None,
    why: str,
    now: datetime,
    erased: Erased,
    session: Session,
) -> None:
    log.append(
        session,
        chain=chain,
        at=now,
        kind=DETAILS_ERASED,
        actor=_clock(service),
        detail={**_counts(erased), "why": why},
        club_id=club_id,
    )


def _counts(erased: Erased) -> dict[str, int]:
    return {name: count for name, count in asdict(erased).items() if count}


def _clock(service: Service) -> dict[str, str]:
    return {"role": "clock", "name": "the service", "process": service.process}
