"""What a club sends beside its armed dives is bounded: by number, hour, day, country and spend (docs/sending.md).

Nothing of a dive that is armed ever comes here, nor its alarm, its stand-down or a reminder: whoever queues these asks
nobody. So a bound that is met, or counted wrongly, can hold up an introduction or an answer to a stranger, and no more.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.domain.plan import Check, Level
from service.domain.sending import (
    WORDS,
    SendingLimits,
    Sort,
    Used,
    Why,
    bound_met,
    country_list,
    country_words,
    in_countries,
)
from service.operations.sending_settings import limits_of
from service.operations.service import Service
from service.operations.telling_admins import is_news
from service.store import admins, log, people, reaches, sending
from service.store.tables.club import ClubRow

HOUR: Final = timedelta(hours=1)
DAY: Final = timedelta(days=1)
BOUNDED: Final = "sending_bounded"  # in the log
TOLD_EVERY: Final = HOUR  # a flood that is held off must not flood the log


@dataclass(frozen=True, slots=True)
class Held:
    """A bound that was met; `words` say which, as the end of a sentence."""

    why: Why
    words: str


def held(
    service: Service,
    session: Session,
    club: ClubRow,
    sort: Sort,
    phones: Collection[str],
    parts: int,
    now: datetime,
) -> Held | None:
    """Whether something of this sort, of so many parts, is too much for the club or one of these phones.

    It is noted in the club's log, once an hour for each bound. None where it may go.
    """
    limits = limits_of(club)
    why = _country_met(session, club, phones, limits)
    if why is None:
        why = bound_met(limits, used_by(session, club, phones, now, limits), parts, drill=sort is Sort.DRILL)
    if why is None or (sort is Sort.ANSWER and all(is_kept(session, club, phone) for phone in phones)):
        return None
    _note(service, session, club, sort, why, now)
    return Held(why, WORDS.get(why, "the club sends no texts to that country"))


def used_by(session: Session, club: ClubRow, phones: Collection[str], now: datetime, limits: SendingLimits) -> Used:
    """What was used of the bounds. The bill of the month is only made where something hangs on it."""
    counted = sending.used(session, club.id, phones, hour=now - HOUR, day=now - DAY)
    if limits.part_price is None or limits.month_spend is None:
        return counted
    parts = sending.parts_handed(session, club.id, month_begins(club, now))
    return Used(counted.number_day, counted.club_hour, counted.club_day, counted.drills_day, parts)


def month_begins(club: ClubRow, now: datetime) -> datetime:
    """When the calendar month began where the club is."""
    local = now.astimezone(ZoneInfo(club.zone))
    return local.replace(day=1, hour=0, minute=0, second=0, microsecond=0).astimezone(now.tzinfo)


def country_checks(session: Session, club: ClubRow, people_named: Sequence[tuple[str, str, str]]) -> list[Check]:
    """A refusing check for each (field, name, phone) of a plan to whose country the club sends no texts.

    This is asked before anybody is in the water, and never again.
    """
    limits = limits_of(club)
    return [
        Check(Level.REFUSE, field, _elsewhere(club, limits, name, phone))
        for field, name, phone in people_named
        if _country_met(session, club, [phone], limits) is not None
    ]


def _elsewhere(club: ClubRow, limits: SendingLimits, name: str, phone: str) -> str:
    return (
        f"{name}: {club.name} sends no texts to {country_words(phone)}. Give a number in"
        f" {country_list(_countries(club, limits))}, or ask the club to allow that country or to add this person."
    )


def _country_met(session: Session, club: ClubRow, phones: Collection[str], limits: SendingLimits) -> Why | None:
    """A number that the club itself keeps is trusted whatever its country: somebody there knows whose it is."""
    for phone in phones:
        if not in_countries(phone, _countries(club, limits)) and not is_kept(session, club, phone):
            return Why.COUNTRY
    return None


def _countries(club: ClubRow, limits: SendingLimits) -> tuple[str, ...]:
    return tuple(dict.fromkeys((club.country, *limits.countries)))


def is_kept(session: Session, club: ClubRow, phone: str) -> bool:
    """Whether the number is one of the club's people, of their usual contacts or of its admins, or has agreed."""
    if phone == club.canary_number or people.by_phone(session, club.id, phone) is not None:
        return True
    if any(admin.phone == phone for admin in admins.admins_to_tell(session, club.id)):
        return True
    reach = reaches.find(session, club.id, [phone]).get(phone)
    if reach is not None and reach.agreed_at is not None and not reach.declined:
        return True
    return people.is_usual_contact(session, club.id, phone)


def _note(service: Service, session: Session, club: ClubRow, sort: Sort, why: Why, now: datetime) -> None:
    if not is_news(service, session, f"{mark_of(club.id)}{sort} {why}", now, TOLD_EVERY):
        return
    log.append(
        session,
        chain=log.club_chain(club.id),
        at=now,
        kind=BOUNDED,
        actor={"role": "clock", "name": "the service", "process": service.process},
        detail={"what": str(sort), "why": str(why)},
        club_id=club.id,
    )


def mark_of(club_id: str) -> str:
    """How the names begin under which it is kept when a bound of a club was last met."""
    return f"sending bounded {club_id} "
