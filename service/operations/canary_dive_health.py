"""How the daily canary dives went: each leg of the way measured, and admins told of the one that failed.

Nothing is kept of it but the dive itself, its messages and its texts; of those each leg is read.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Any, Final

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.operations import service_log
from service.operations.gateway_canary import due_since
from service.operations.service import Service
from service.operations.telling_admins import tell_admins
from service.store import clubs, dives, health, inbound, log, outbox
from service.store.dives import UnreadableDive
from service.store.health import Heartbeat
from service.store.inbound import Stored
from service.store.outbox import Message
from service.store.tables import ClubRow

TEXTS_BY: Final = "canary dive"  # no gateway can be called that: a name has no space
IN, OK, OUT = "in", "ok", "out"
ALERTS: Final = ("alert", "distress")

LATE_AFTER: Final = timedelta(seconds=60)  # what any single fault may cost
NONE_FOR: Final = timedelta(hours=26)  # a day, and two hours for a service that stood still at nine

WENT_THROUGH: Final = "canary_dive_done"
FAILED: Final = "canary_dive_failed"


class Leg(StrEnum):
    """The parts of the way, in their order."""

    START_TEXT = "start_text"  # filed, until its start by text was answered
    ARMING = "arming"  # started, until its start notice was handed over
    ALERT = "alert"  # due, until its alert was handed over
    END_TEXT = "end_text"  # alerted, until its end by text was taken
    STAND_DOWN = "stand_down"  # ended, until its stand-down was handed over


NOT_DONE: Final = {
    Leg.START_TEXT: "its start by text was not answered",
    Leg.ARMING: "its start notice was not handed over",
    Leg.ALERT: "its alert was not handed over",
    Leg.END_TEXT: "it was not ended by text",
    Leg.STAND_DOWN: "its stand-down was not handed over",
}


@dataclass(frozen=True, slots=True)
class Course:
    """A canary dive with what went out for it and what its phone has said, by the names of the texts."""

    dive: Dive
    messages: tuple[Message, ...]
    texts: Mapping[str, Stored]
    receiving_number: str

    def handed_at(self, *kinds: str) -> datetime | None:
        """When the contact's first message of these kinds was handed over."""
        keys = {contact.key for contact in self.dive.contacts}
        found = [one.handed_at for one in self.messages if one.kind in kinds and one.person_key in keys]
        return min((at for at in found if at is not None), default=None)


@dataclass(frozen=True, slots=True)
class Timed:
    """One leg: from when until when; None for what has not come yet."""

    leg: Leg
    began_at: datetime | None
    ended_at: datetime | None

    def lasted(self, now: datetime) -> timedelta | None:
        """How long it took, or takes until now; None before it has begun."""
        if self.began_at is None or (self.ended_at is None and self.began_at > now):
            return None
        return max((self.ended_at or now) - self.began_at, timedelta(0))

    def failed(self, now: datetime, *, over: bool) -> bool:
        """Whether it took too long, or will never come since the dive is over."""
        lasted = self.lasted(now)
        if over and self.ended_at is None and self.leg is not Leg.STAND_DOWN:
            return True
        return lasted is not None and (lasted > LATE_AFTER or (self.ended_at is None and lasted >= LATE_AFTER))


@dataclass(frozen=True, slots=True)
class CanaryDive:
    """The last canary dive of a club, as far as it is known. `about` tells it from those before and after.

    `fault`: what is wrong, in words; `leg` is the first that failed. `done`: its stand-down is handed over.
    """

    club_id: str
    filed_at: datetime | None
    legs: tuple[Timed, ...]
    about: str
    fault: str | None = None
    leg: Leg | None = None
    done: bool = False


def last_mark(club_id: str) -> str:
    """The heartbeat with the id of the last canary dive of a club."""
    return f"canary dive {club_id}"


def refusal_mark(club_id: str) -> str:
    """The heartbeat with why no canary dive could be filed; without words: since when one is wanted."""
    return f"canary dive refused {club_id}"


def text_id(dive_id: str, name: str) -> str:
    """Under which id a text for the phone is kept: each can be said once only."""
    return f"{dive_id}-{name}"


def course_of(session: Session, dive_id: str) -> Course | None:
    """A canary dive as it stands; None where there is none, or it cannot be read."""
    try:
        dive = dives.get(session, dive_id)
    except UnreadableDive:
        return None
    if dive is None:
        return None
    ids = {text_id(dive_id, name): name for name in (IN, OK, OUT)}
    texts = {ids[key]: text for key, text in inbound.brought_by(session, TEXTS_BY, list(ids)).items()}
    number = dives.receiving_number_of(session, dive_id)
    return Course(dive, tuple(outbox.of_dive(session, dive_id)), texts, number)


def legs_of(course: Course) -> tuple[Timed, ...]:
    """All legs of a canary dive, as far as it has come."""
    dive, start = course.dive, course.texts.get(IN)
    alerted_at = course.handed_at(*ALERTS)
    return (
        Timed(Leg.START_TEXT, dive.filed_at, start.answered_at if start else None),
        Timed(Leg.ARMING, dive.started_at, dive.armed_at),
        Timed(Leg.ALERT, dive.raise_by_at, alerted_at),
        Timed(Leg.END_TEXT, alerted_at, dive.closed_at),
        Timed(Leg.STAND_DOWN, dive.closed_at, course.handed_at("stand_down")),
    )


def canary_dives(service: Service) -> list[CanaryDive]:
    """The last canary dive of every club that has a number for it."""
    now = service.clock.now()

    def look(session: Session) -> list[CanaryDive]:
        return [_of(session, club, now) for club in _with_number(session)]

    return service.read(look)


def _with_number(session: Session) -> Sequence[ClubRow]:
    return [club for club in clubs.listing(session) if club.canary_number is not None]


def _of(session: Session, club: ClubRow, now: datetime) -> CanaryDive:
    last = health.heartbeat(session, last_mark(club.id))
    refused = health.heartbeat(session, refusal_mark(club.id))
    course = None if last is None else course_of(session, last.detail or "")
    legs = () if course is None else legs_of(course)
    filed_at = None if last is None else last.at
    why = _refusal(club, last, refused, now)
    because = "" if why is None else f": {why}"
    wanted_since = max((mark.at for mark in (last, refused if why is None else None) if mark is not None), default=None)
    if wanted_since is not None and now - wanted_since >= NONE_FOR:
        fault = f"none was started for {NONE_FOR / timedelta(hours=1):.0f} h{because}"
        return CanaryDive(club.id, filed_at, legs, f"none since {wanted_since:%Y-%m-%d %H:%M}", fault)
    if why is not None:
        day = f"{due_since(club.zone, now):%Y-%m-%d}"
        return CanaryDive(club.id, filed_at, legs, f"refused {day}", f"it could not be filed{because}")
    if course is None:
        unreadable = None if last is None else "its dive cannot be read"
        return CanaryDive(club.id, filed_at, (), "" if last is None else last.detail or "", unreadable)
    over = course.dive.phase is Phase.CLOSED
    leg = next((one.leg for one in legs if one.failed(now, over=over)), None)
    late = None if leg is None else f"{NOT_DONE[leg]} within {LATE_AFTER.seconds} s"
    done = legs[-1].ended_at is not None
    return CanaryDive(club.id, filed_at, legs, course.dive.id, late, leg, done=done)


def _refusal(club: ClubRow, last: Heartbeat | None, refused: Heartbeat | None, now: datetime) -> str | None:
    """Why today's could not be filed; None where it was, or nobody has tried yet."""
    since = due_since(club.zone, now)
    if refused is None or not refused.detail or refused.at < since or (last is not None and last.at >= since):
        return None
    return refused.detail.rstrip(".")


def tell_of_canary_dives(service: Service) -> None:
    """Log each canary dive that went through, and tell admins of each that did not: once."""
    for found in canary_dives(service):
        if (found.done or found.fault is not None) and not service.read(_told(found)):
            service.write(_telling(service, found))
            service.nudge()


def _told(found: CanaryDive) -> Any:
    def look(session: Session) -> bool:
        mark = health.heartbeat(session, f"told:{last_mark(found.club_id)}")
        return mark is not None and mark.detail == found.about

    return look


def _telling(service: Service, found: CanaryDive) -> Any:
    now = service.clock.now()

    def tell(session: Session) -> None:
        log.hold(session, service_log.SERVICE_CHAIN)  # of two that look at once, one tells
        if _told(found)(session):
            return
        health.beat(session, f"told:{last_mark(found.club_id)}", now, found.about)
        detail: dict[str, Any] = {"club": found.club_id, "about": found.about, "seconds": seconds_of(found, now)}
        if found.fault is None:
            service_log.note(service, session, WENT_THROUGH, detail, now)
            return
        detail |= {"what": found.fault, "leg": found.leg}
        service_log.note(service, session, FAILED, detail, now)
        words = f"the daily canary dive of {found.club_id} failed: {found.fault}. Please look before an alarm needs it."
        tell_admins(session, f"{FAILED}-{found.club_id}-{found.about}", words, now)

    return tell


def seconds_of(found: CanaryDive, now: datetime) -> dict[str, float]:
    """How long each leg took, or takes until now, in seconds; those that have not begun are left out."""
    lasted = {str(one.leg): one.lasted(now) for one in found.legs}
    return {leg: length.total_seconds() for leg, length in lasted.items() if length is not None}
