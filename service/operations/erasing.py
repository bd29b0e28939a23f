"""Erasing a person: what a club has of one phone goes, as far as no dive and no proof of an alarm needs it.

At once: the entry in the list, and every place where others have the phone as a contact. From dives that have the phone
anywhere, also where it was only lent for a code, and that are over for a day and had no alarm, everything personal is
erased, of all who were in them, as it is when their time is over; so the chains still verify. A dive that is open is
never touched, and one with an alarm is kept as long as the club keeps such records, since it proves what was told to
whom. The wish waits for both, and `erase_due` goes on with it.

That they want no texts of ours must outlast them, or the next plan that names them would text them again. Of that a
hash is kept.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial
from typing import Final

from sqlalchemy.orm import Session

from service.operations import desk_log
from service.operations.retention import NEVER, WITHIN_S, days_of, erase_dives, tell_of_not_erased
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import admins, clubs, dives, erasing, log, opt_outs, people, people_imports, reaches
from service.store.dives import UnreadableDive
from service.store.engine import is_transient
from service.store.erasing import DiveOfPhone, Traces
from service.store.links import DEAD_AFTER_CLOSE
from service.store.log_erased import DETAILS_ERASED, ON_A_WISH, PERSON_ERASED
from service.store.tables import ClubRow, ErasureRow

_LOG = logging.getLogger(__name__)

DIVES_AT_ONCE: Final = 5
TURNS_MAX: Final = 4
WISHES_AT_ONCE: Final = 50
SHOWN_MAX: Final = 100


class Waits(StrEnum):
    """Why a dive is not erased yet."""

    OPEN = "open"
    JUST_CLOSED = "just_closed"  # links live for a day after the close, and it may be opened again
    CARRIED = "carried"
    ALARM = "alarm"
    KEPT = "kept"  # on somebody's word


@dataclass(frozen=True, slots=True)
class WaitingDive:
    """A dive for which a wish waits; `until_at` is None where nobody can say until when."""

    reference: str
    site_name: str
    why: Waits
    until_at: datetime | None


@dataclass(frozen=True, slots=True)
class ErasurePlan:
    """What erasing somebody would do now, what waits, and what stays."""

    dives_now: int
    waiting: tuple[WaitingDive, ...]
    named_by: tuple[str, ...]
    refuses: bool  # opted out or declined: a hash of that stays
    is_admin: bool  # or was: an account keeps its phone, so that the club can answer for what was done by it
    is_canary: bool  # the club's own daily canary dive goes to this phone
    asked_already: bool


@dataclass(frozen=True, slots=True)
class Erasure:
    """A wish: who asked and when, the last digits while it waits, for which dives, or when it was done."""

    asked_by: str
    asked_at: datetime
    done_at: datetime | None
    ends_in: str | None
    waiting: tuple[WaitingDive, ...]


def plan(service: Service, club_id: str, person_id: str) -> ErasurePlan | None:
    """What erasing a person of the club would do; None where the club has none of that id."""
    now = service.clock.now()
    club, row = service.read(lambda session: (clubs.get(session, club_id), people.get(session, club_id, person_id)))
    if club is None or row is None:
        return None
    phone, traces = row.phone, _look(service, club, row.phone)

    def work(session: Session) -> ErasurePlan:
        ready, waiting = _parted(session, club, traces, now)
        everybody = people.listing(session, club_id)
        named_by = [one.name for one in everybody if any(c["phone"] == phone for c in one.usual_contacts)]
        return ErasurePlan(
            len(ready),
            waiting,
            tuple(named_by),
            _refuses(session, club, phone),
            admins.has_phone(session, club_id, phone),
            club.canary_number == phone,
            erasing.is_waiting(session, club_id, phone),
        )

    return service.read(work)


def erase_person(service: Service, admin: SignedIn, person_id: str) -> bool | None:
    """Erase a person: True once all is gone, False where some waits; None where the club has none of that id."""
    now = service.clock.now()

    def work(session: Session) -> str | None:
        if clubs.get(session, admin.club_id) is None:
            return None
        clubs.hold(session, admin.club_id)  # else a merge at the same instant would put the phone back
        row = people.get(session, admin.club_id, person_id)
        if row is None:
            return None
        wish_id = erasing.ask(session, admin.club_id, phone=row.phone, name=row.name, asked_by=admin.name, now=now)
        erasing.forget_person(session, admin.club_id, row.phone)
        people_imports.forget_all(session, admin.club_id)
        desk_log.note(service, session, admin, "person_erasure_asked", {"person": person_id, "erasure": wish_id})
        return wish_id

    wish_id = service.write(work)
    return None if wish_id is None else _go_on(service, wish_id, now)


def erase_due(service: Service, *, within_s: float = WITHIN_S) -> int:
    """Go on with the wishes that wait, for so many real seconds at most; how many were done.

    One that fails keeps no other waiting.
    """
    now, done, until = service.clock.now(), 0, time.monotonic() + within_s
    for _, wish_id in service.read(lambda session: erasing.waiting(session, WISHES_AT_ONCE)):
        if time.monotonic() > until:
            break
        try:
            done += _go_on(service, wish_id, now)
        except Exception as error:
            if is_transient(error):
                raise
            _LOG.exception("person_not_erased", extra={"erasure": wish_id})
    return done


def listing(service: Service, club_id: str) -> tuple[Erasure, ...]:
    """The wishes of a club, the latest first, and what each waits for."""
    now = service.clock.now()
    club, rows = service.read(
        lambda session: (clubs.get(session, club_id), erasing.listing(session, club_id, SHOWN_MAX))
    )
    return () if club is None else tuple(_erasure(service, club, row, now) for row in rows)


def _erasure(service: Service, club: ClubRow, row: ErasureRow, now: datetime) -> Erasure:
    waiting: tuple[WaitingDive, ...] = ()
    if row.phone is not None:
        traces = _look(service, club, row.phone)
        waiting = service.read(lambda session: _parted(session, club, traces, now)[1])
    return Erasure(row.asked_by, row.asked_at, row.done_at, row.phone and row.phone[-3:], waiting)


def _look(service: Service, club: ClubRow, phone: str) -> Traces:
    """Look for a phone in all of the club's dives, in short pieces: whoever commits meanwhile must not wait for it."""
    number = club.receiving_number
    traces = Traces(phone, service.read(lambda session: erasing.senders_of(session, number, club.country, phone)))
    found: set[str] = set()
    beyond: str | None = ""
    while beyond is not None:
        some, beyond = service.read(partial(_dives_with, club, traces, beyond))
        found |= set(some)
    return replace(traces, dive_ids=frozenset(found))


def _dives_with(club: ClubRow, traces: Traces, beyond: str, session: Session) -> tuple[list[str], str | None]:
    return erasing.dives_with(session, club.id, club.receiving_number, traces, beyond)


def _go_on(service: Service, wish_id: str, now: datetime) -> bool:
    """Whether all that was wished is gone.

    In short transactions, and what takes long to find is found in none that writes: a text that comes in meanwhile must
    not wait for this.
    """
    club, phone = service.read(partial(_whose, wish_id))
    if club is None or phone is None:
        return False
    traces = _look(service, club, phone)
    failed = set[str]()
    more, turns = True, 0
    while more and turns < TURNS_MAX:
        more, turns = service.write(partial(_some_dives, service, wish_id, traces, now, failed)), turns + 1
    if failed:
        tell_of_not_erased(service, club.id, failed)
    if more:
        return False
    entries = service.read(lambda session: erasing.loose_entries(session, club.id, club.receiving_number, traces))
    return service.write(partial(_rest, service, wish_id, traces, entries, now))


def _whose(wish_id: str, session: Session) -> tuple[ClubRow | None, str | None]:
    row = erasing.get(session, wish_id)
    return (None, None) if row is None else (clubs.get(session, row.club_id), row.phone)


def _some_dives(
    service: Service, wish_id: str, traces: Traces, now: datetime, failed: set[str], session: Session
) -> bool:
    """Erase some dives that are ready; whether there are more. Adds to `failed`, which are passed over."""
    row, club = _held(session, wish_id)
    if row is None or club is None:
        return False
    ready, _ = _parted(session, club, traces, now)
    ready = [dive for dive in ready if dive.id not in failed]
    some = [dive.id for dive in ready[:DIVES_AT_ONCE]]
    erasing.lock_dives(session, some)
    # Between looking and locking one may have been opened again.
    still = {dive.id for dive in _parted(session, club, traces, now)[0]}
    erase_dives(service, session, club.id, [dive_id for dive_id in some if dive_id in still], ON_A_WISH, now, failed)
    return len(ready) > len(some)


def _rest(service: Service, wish_id: str, traces: Traces, entries: list[int], now: datetime, session: Session) -> bool:
    """What belongs to no dive, once none needs it; whether nothing is left then."""
    row, club = _held(session, wish_id)
    if row is None or club is None:
        return False
    phone, number = traces.phone, club.receiving_number
    left, waiting = _parted(session, club, traces, now)
    if any(dive.why is not Waits.ALARM and dive.why is not Waits.KEPT for dive in waiting):
        return False  # a dive that needs what is known of this phone
    if erasing.is_under_way(session, club.id, number, traces):
        return False  # a text, which may end a dive or raise an alarm, or an answer
    opt_outs.keep_as_hash(session, number, phone, now, refuses=_refuses(session, club, phone))
    erasing.forget_reach(session, club.id, number, phone)
    erasing.erase_loose(session, club.id, number, traces)
    erased = log.erase_entries(session, entries)
    done = not left and not waiting
    if done:
        erasing.mark_done(session, wish_id, now)
    if done or erased:
        _note(service, session, club.id, wish_id, erased, now, done=done)
    return done


def _held(session: Session, wish_id: str) -> tuple[ErasureRow | None, ClubRow | None]:
    row = erasing.hold(session, wish_id)
    return row, None if row is None else clubs.get(session, row.club_id)


def _refuses(session: Session, club: ClubRow, phone: str) -> bool:
    reach = reaches.find(session, club.id, [phone]).get(phone)
    return opt_outs.is_opted_out(session, club.receiving_number, phone) or (reach is not None and reach.declined)


def _note(
    service: Service, session: Session, club_id: str, wish_id: str, entries: int, now: datetime, *, done: bool
) -> None:
    of = {"erasure": wish_id} if done else {"why": ON_A_WISH}
    log.append(
        session,
        chain=log.club_chain(club_id),
        at=now,
        kind=PERSON_ERASED if done else DETAILS_ERASED,
        actor={"role": "clock", "name": "the service", "process": service.process},
        detail={**of, "entries": entries},
        club_id=club_id,
    )


def _parted(
    session: Session, club: ClubRow, traces: Traces, now: datetime
) -> tuple[Sequence[DiveOfPhone], tuple[WaitingDive, ...]]:
    """The dives that know a phone: those that can be erased now, and those that wait."""
    ready: list[DiveOfPhone] = []
    waiting: list[WaitingDive] = []
    for dive in erasing.dives_of(session, club.id, club.receiving_number, traces):
        why, until_at = _waits(session, club, dive, now)
        if why is None:
            ready.append(dive)
        else:
            waiting.append(WaitingDive(dive.reference, dive.site_name, why, until_at))
    return ready, tuple(waiting)


def _waits(session: Session, club: ClubRow, dive: DiveOfPhone, now: datetime) -> tuple[Waits | None, datetime | None]:
    if dive.closed_at is None:
        return Waits.OPEN, None
    if now < dive.closed_at + DEAD_AFTER_CLOSE:
        return Waits.JUST_CLOSED, dive.closed_at + DEAD_AFTER_CLOSE
    if dive.carried:
        return Waits.CARRIED, None
    if dive.kept:
        return Waits.KEPT, None
    if not _had_alarm(session, dive.id):
        return None, None
    days = days_of(club)
    return Waits.ALARM, None if days == NEVER else dive.closed_at + timedelta(days=days)


def _had_alarm(session: Session, dive_id: str) -> bool:
    """Whether an alarm went out; of a dive that cannot be read nobody can say that none did."""
    try:
        dive = dives.get(session, dive_id)
    except UnreadableDive:
        return True
    return dive is not None and dive.alarm_at is not None and not dive.drill
