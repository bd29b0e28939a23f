"""What became of an exercise: who was told when, who answered and how fast, what failed, and what was not tried.

All of it is read from its dives, their messages and their log: a record of its own could say that all went well when
it did not. Nothing of it is in any figure of real dives.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Event
from service.domain.dive.events import (
    Acknowledged,
    AlarmRaised,
    CalledTakenBack,
    Closed,
    ExtensionAsked,
    OnScene,
    RescueCalled,
    StepTaken,
)
from service.domain.grace import Step
from service.domain.people import Actor, Channel, Role
from service.operations import drill_watch
from service.operations.service import Service
from service.store import dives, drills, log, outbox
from service.store.dives import UnreadableDive
from service.store.outbox import Message
from service.store.tables import DrillRow

LISTED_MAX: Final = 100
ALERTS: Final = ("alert", "distress")

ENDS: Final = {
    drill_watch.STOPPED: "ended at the desk",
    drill_watch.REAL_ALARM: "called off at once, because a real alarm was up",
    drill_watch.PLAYER_DIVES: "ended because whoever played the diver went in on a real dive",
    drill_watch.ANSWERED: "ended by those who took part",
    drill_watch.TIME: "ended by itself, since its time was over and nobody had ended it",
}
_ANSWERS: Final[dict[type, str]] = {
    Acknowledged: "OK, they act",
    RescueCalled: "rescue called",
    CalledTakenBack: "rescue not called after all",
    OnScene: "at the site",
    Closed: "closed it",
}


@dataclass(frozen=True, slots=True)
class DrillSummary:
    """An exercise in a list. `how` says how it ended; None while it runs."""

    drill_id: str
    site_name: str
    whole_club: bool
    started_at: datetime
    started_by: str
    ends_at: datetime
    ended_at: datetime | None
    how: str | None
    ended_by: str | None
    left_open: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What somebody said, and how long after the alarm had been handed over for them; None where none had been.

    `key` is theirs in the dive: two contacts may have one name.
    """

    key: str
    name: str
    words: str
    at: datetime
    took: timedelta | None


@dataclass(frozen=True, slots=True)
class DiveOfDrill:
    """One dive of an exercise: what was sent and what was answered. `dive` is None where it cannot be read.

    `silent` are contacts to whom the alarm was handed over and who said nothing.
    """

    dive_id: str
    dive: Dive | None
    messages: tuple[Message, ...]
    answers: tuple[Answer, ...]
    silent: tuple[str, ...]

    @property
    def failed(self) -> tuple[Message, ...]:
        """What was given up."""
        return tuple(message for message in self.messages if message.state == outbox.FAILED)


@dataclass(frozen=True, slots=True)
class DrillReport:
    """All of an exercise. `untried` are the things that it shows nothing of."""

    summary: DrillSummary
    dives: tuple[DiveOfDrill, ...]
    untried: tuple[str, ...]


def list_drills(service: Service, club_id: str) -> list[DrillSummary]:
    """The club's exercises, the latest first."""
    return service.read(lambda session: [_summary(one) for one in drills.listing(session, club_id, LISTED_MAX)])


def drill_report(service: Service, club_id: str, drill_id: str) -> DrillReport | None:
    """What became of an exercise so far; None where the club has none of that id."""

    def work(session: Session) -> DrillReport | None:
        drill = drills.get(session, club_id, drill_id)
        if drill is None:
            return None
        found = [(one, _events(session, one)) for one in drills.dive_ids(session, drill_id)]
        told = tuple(_dive(session, dive_id, events) for dive_id, events in found)
        every = [event for _, events in found for event in events]
        return DrillReport(_summary(drill), told, tuple(_untried(told, every)))

    return service.read(work)


def _summary(drill: DrillRow) -> DrillSummary:
    return DrillSummary(
        drill_id=drill.id,
        site_name=drill.site_name,
        whole_club=drill.whole_club,
        started_at=drill.started_at,
        started_by=drill.started_by,
        ends_at=drill.ends_at,
        ended_at=drill.ended_at,
        how=None if drill.ended_at is None else ENDS.get(drill.ending or "", "ended"),
        ended_by=drill.ending_by if drill.ending == drill_watch.STOPPED else None,
        left_open=drill.left_open,
    )


def _events(session: Session, dive_id: str) -> list[Event]:
    return [event for _, event in log.events(session, dive_id)]


def _dive(session: Session, dive_id: str, events: Sequence[Event]) -> DiveOfDrill:
    try:
        dive = dives.get(session, dive_id)
    except UnreadableDive:
        dive = None
    messages = outbox.of_dive(session, dive_id)
    alarms: dict[str, datetime] = {}
    for message in messages:
        if message.kind in ALERTS and message.handed_at is not None:
            alarms[message.person_key] = min(message.handed_at, alarms.get(message.person_key, message.handed_at))
    answers = tuple(_answers(events, alarms))
    heard = {answer.key for answer in answers}
    contacts = () if dive is None else dive.contacts
    silent = tuple(one.name for one in contacts if one.key in alarms and one.key not in heard)
    return DiveOfDrill(dive_id, dive, tuple(messages), answers, silent)


def _answers(events: Iterable[Event], alarms: dict[str, datetime]) -> Iterable[Answer]:
    for event in events:
        words = _ANSWERS.get(type(event))
        by = getattr(event, "by", None)
        if words is None or not isinstance(by, Actor) or by.role not in (Role.CONTACT, Role.DIVER):
            continue
        since = alarms.get(by.key or "")
        yield Answer(by.own_key, by.name, words, event.at, None if since is None else event.at - since)


def _untried(told: Sequence[DiveOfDrill], events: Sequence[Event]) -> Iterable[str]:
    """What the exercise says nothing about, so that nobody takes it for proved."""
    steps = {event.step for event in events if isinstance(event, StepTaken)}
    kinds = {type(event) for event in events}
    ways = {message.channel for one in told for message in one.messages if message.handed_at is not None}
    several = any(one.dive is not None and len(one.dive.contacts) > 1 for one in told)
    closed_ashore = any(isinstance(event, Closed) and event.by.role is Role.CONTACT for event in events)
    found = (
        (not steps & {Step.ALERT, Step.NEXT_CONTACT} and AlarmRaised not in kinds, "the alert to contacts"),
        (several and Step.NEXT_CONTACT not in steps, "what happens when the first contact does not answer"),
        (not steps & {Step.DISTRESS, Step.DISTRESS_AGAIN}, "the step at which contacts are told to call rescue"),
        (Step.HAND_UP not in steps, "the hand-up to the club's admins when nobody answers"),
        (Acknowledged not in kinds, "the answer OK"),
        (RescueCalled not in kinds, "the answer CALLED"),
        (not closed_ashore, "the answer SAFE by which a contact ends it"),
        (ExtensionAsked not in kinds, "a diver who texts LATE"),
        (Channel.CALL.value not in ways, "voice calls"),
        (Channel.EMAIL.value not in ways, "e-mails"),
        (True, "whether anybody reads a text by night or without signal: a receipt is no answer"),
        (True, "rescue itself, which nobody calls in a drill"),
    )
    return [words for holds, words in found if holds]
