"""The bounds on sending at the desk: what holds, what was used and held off, and changing them."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal

from sqlalchemy.orm import Session

from service.domain.sending import SendingLimits, Sort, Used, Why, spent
from service.operations import desk_log
from service.operations.sending_bounds import DAY, mark_of, month_begins, used_by
from service.operations.sending_settings import SETTING, as_kept, limits_of
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import clubs, health, sending
from service.store.codec import canonical
from service.store.tables.club import ClubRow

CHANGED = "sending_changed"


@dataclass(frozen=True, slots=True)
class HeldOff:
    """That a bound was met: by what, which one, and when it was noted last, which is once an hour."""

    sort: Sort
    why: Why
    at: datetime


@dataclass(frozen=True, slots=True)
class SendingView:
    """What an owner sees. `month_parts` and `bill` are of all texts; `mark` is what the form carries of what holds."""

    limits: SendingLimits
    mark: str
    country: str
    used: Used
    month_parts: int
    bill: Decimal | None
    held_off: tuple[HeldOff, ...]


class StaleLimitsError(Exception):
    """Somebody else changed the bounds since the form was made."""


def view(service: Service, club_id: str) -> SendingView:
    """The bounds of a club and what was used of them. Raises LookupError for no such club."""
    now = service.clock.now()

    def work(session: Session) -> SendingView:
        club = _club(session, club_id)
        limits = limits_of(club)
        parts = sending.parts_handed(session, club_id, month_begins(club, now))
        return SendingView(
            limits=limits,
            mark=_mark(limits),
            country=club.country,
            used=used_by(session, club, [], now, limits),
            month_parts=parts,
            bill=spent(parts, limits),
            held_off=_held_off(session, club_id, now),
        )

    return service.read(work)


def _held_off(session: Session, club_id: str, now: datetime) -> tuple[HeldOff, ...]:
    """Within the last day, the latest first."""
    begins = mark_of(club_id)
    found = []
    for name, beat in health.heartbeats(session).items():
        if name.startswith(begins) and now - beat.at <= DAY:
            sort, _, why = name.removeprefix(begins).partition(" ")
            found.append(HeldOff(Sort(sort), Why(why), beat.at))
    return tuple(sorted(found, key=lambda one: one.at, reverse=True))


def change(service: Service, admin: SignedIn, limits: SendingLimits, mark: str) -> bool:
    """Set the bounds; False where they were so already. Raises StaleLimitsError where they are others than `mark` says.

    What is queued, and every armed dive, is left alone.
    """

    def work(session: Session) -> bool:
        club = clubs.hold(session, admin.club_id)
        before = limits_of(club)
        if _mark(before) != mark:
            raise StaleLimitsError
        if before == limits:
            return False
        club.settings = {**club.settings, SETTING: as_kept(limits)}
        desk_log.note(service, session, admin, CHANGED, {"before": as_kept(before), "after": as_kept(limits)})
        return True

    return service.write(work)


def _mark(limits: SendingLimits) -> str:
    return hashlib.sha256(canonical(as_kept(limits)).encode()).hexdigest()[:16]


def _club(session: Session, club_id: str) -> ClubRow:
    club = clubs.get(session, club_id)
    if club is None:
        raise LookupError(f"no club {club_id}")
    return club
