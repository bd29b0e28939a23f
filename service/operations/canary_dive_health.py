"""How the daily canary dives went: each leg of the way measured, and admins told of the one that failed.

Nothing is kept of it but the dive itself, its messages and its texts; of those each leg is read.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from functools import partial
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

TEXTS_BY: Final = "canary dive"  # no gateway can be called that: a name has no space
IN, OK, OUT = "in", "ok", "out"
ALERTS: Final = ("alert", "distress")

LATE_AFTER: Final = timedelta(seconds=60)  # what any single fault may cost
RECEIPTS_WITHIN: Final = timedelta(minutes=2)  # as long as a contact's message is waited for
SETTLED_AFTER: Final = timedelta(minutes=5)  # after the end: what is still being tried again then has not arrived
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


LOST: Final = {
    Leg.ARMING: ("its start notice", ("start_notice",)),
    Leg.ALERT: ("its alert", ALERTS),
    Leg.STAND_DOWN: ("its stand-down", ("stand_down",)),
}
"""What of a leg goes to the phone, and by which kinds of message."""


@dataclass(frozen=True, slots=True)
class Course:
    """A canary dive with what went out for it and what its phone has said, by the names of the texts."""

    dive: Dive
    messages: tuple[Message, ...]
    texts: Mapping[str, Stored]
    receiving_number: str

    def handed_at(self, *kinds: str) -> datetime | None:
        """When the contact's first message of these kinds was handed over."""
        return min((one.handed_at for one in self._told(kinds) if one.handed_at is not None), default=None)

    def is_lost(self, kinds: tuple[str, ...]) -> bool:
        """Whether what was handed over of these kinds is known not to have arrived, by any of it."""
        told = [one for one in self._told(kinds) if one.handed_at is not None]
        return bool(told) and all(one.state not in _MAY_HAVE_ARRIVED for one in told)

    def is_settled(self, now: datetime) -> bool:
        """Whether it is over, and no more is to be heard of what was handed over."""
        if self.dive.closed_at is None:
            return False
        kinds = tuple(kind for _, of_leg in LOST.values() for kind in of_leg)
        return now - self.dive.closed_at >= SETTLED_AFTER or all(_is_settled(one, now) for one in self._told(kinds))

    def _told(self, kinds: tuple[str, ...]) -> list[Message]:
        keys = {contact.key for contact in self.dive.contacts}
        return [one for one in self.messages if one.kind in kinds and one.person_key in keys]


_MAY_HAVE_ARRIVED: Final = (outbox.HANDED, outbox.DELIVERED)


def _is_settled(message: Message, now: datetime) -> bool:
    if message.state == outbox.HANDED and message.handed_at is not None:
        return now - message.handed_at >= RECEIPTS_WITHIN
    return message.state not in (outbox.QUEUED, outbox.LEASED)


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

    `fault`: what is wrong, in words; `leg` is the first that failed. `done`: its stand-down is handed over, and no
    receipt that says otherwise has come for two minutes.
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


def told_mark(club_id: str) -> str:
    """The heartbeat with what was last told of the canary dives of a club."""
    return f"told:{last_mark(club_id)}"


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
    return service.read(lambda session: [_judged(session, one) for one in _clubs(session, now)])


@dataclass(frozen=True, slots=True)
class _Club:
    """A club that wants canary dives, with the marks that were left of them: what is known without reading a dive."""

    id: str
    now: datetime
    since: datetime  # from when today's is due
    last: Heartbeat | None
    refused: Heartbeat | None
    told: str | None

    @property
    def refusal(self) -> str | None:
        """Why today's could not be filed; None where it was, or nobody has tried yet."""
        refused, last = self.refused, self.last
        if refused is None or not refused.detail or refused.at < self.since:
            return None
        return None if last is not None and last.at >= self.since else refused.detail.rstrip(".")

    @property
    def none_since(self) -> datetime | None:
        """Since when one is wanted, where that is too long ago: since the last one, or since the number was given."""
        given = self.refused if self.refusal is None else None
        wanted_since = max((mark.at for mark in (self.last, given) if mark is not None), default=self.now)
        return wanted_since if self.now - wanted_since >= NONE_FOR else None

    @property
    def about(self) -> str:
        """What there is to be told of: that there is none, that it was refused, or which dive."""
        if self.none_since is not None:
            return f"none since {self.none_since:%Y-%m-%d %H:%M}"
        if self.refusal is not None:
            return f"refused {self.since:%Y-%m-%d}"
        return "" if self.last is None else self.last.detail or ""


def _clubs(session: Session, now: datetime) -> list[_Club]:
    marks = health.heartbeats(session)
    found = []
    for club in clubs.canaries(session):
        if club.canary_number is not None:
            last, refused = marks.get(last_mark(club.id)), marks.get(refusal_mark(club.id))
            told = marks.get(told_mark(club.id))
            since = due_since(club.zone, now)
            found.append(_Club(club.id, now, since, last, refused, None if told is None else told.detail))
    return found


def _judged(session: Session, club: _Club) -> CanaryDive:
    course = None if club.last is None else course_of(session, club.last.detail or "")
    legs = () if course is None else legs_of(course)
    done = course is not None and legs[-1].ended_at is not None and course.is_settled(club.now)
    known = partial(CanaryDive, club.id, None if club.last is None else club.last.at, legs, club.about, done=done)
    because = "" if club.refusal is None else f": {club.refusal}"
    if club.none_since is not None:
        return known(f"none was started for {NONE_FOR / timedelta(hours=1):.0f} h{because}")
    if club.refusal is not None:
        return known(f"it could not be filed{because}")
    if course is None:
        return known(None if club.last is None else "its dive cannot be read")
    over = course.dive.phase is Phase.CLOSED
    late = next((one.leg for one in legs if one.failed(club.now, over=over)), None)
    if late is None and not course.is_settled(club.now):
        return known()
    lost = next((leg for leg, (_, kinds) in LOST.items() if course.is_lost(kinds)), None)
    if lost is not None:  # which may be why something else came late
        return known(f"{LOST[lost][0]} did not reach the phone", lost)
    return known() if late is None else known(f"{NOT_DONE[late]} within {LATE_AFTER.seconds} s", late)


def _untold(session: Session, now: datetime) -> list[CanaryDive]:
    """Those of which something is to be told. The dive of which it was told is not read again."""
    found = [_judged(session, club) for club in _clubs(session, now) if club.told != club.about]
    return [one for one in found if one.done or one.fault is not None]


def tell_of_canary_dives(service: Service) -> None:
    """Log each canary dive that went through, and tell admins of each that did not: once."""
    for found in service.read(partial(_untold, now=service.clock.now())):
        service.write(_telling(service, found))
        service.nudge()


def _telling(service: Service, found: CanaryDive) -> Any:
    now = service.clock.now()

    def tell(session: Session) -> None:
        log.hold(session, service_log.SERVICE_CHAIN)  # of two that look at once, one tells
        told = health.heartbeat(session, told_mark(found.club_id))
        if told is not None and told.detail == found.about:
            return
        health.beat(session, told_mark(found.club_id), now, found.about)
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
