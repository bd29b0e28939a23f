"""One marked dive a day, from text to stand-down, to a phone that the club owns.

The daily test of a gateway proves the gateway. This proves the whole way: intake, reading, arming, the clock, the
ladder, the couriers and the end, by the same operations as any dive. Only the phone's own texts are put in by us, where
a gateway's would come in once it is known to be a gateway.

The state of the dive says what comes next, so that whoever looks next goes on from there.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.people import Actor, Role, Via
from service.domain.plan import refusals
from service.operations.answering import answer_quietly
from service.operations.canary_dive_health import (
    ALERTS,
    IN,
    OK,
    OUT,
    TEXTS_BY,
    Course,
    course_of,
    last_mark,
    refusal_mark,
    tell_of_canary_dives,
    text_id,
)
from service.operations.filing import PlanRefused, file_in
from service.operations.gateway import InboundText
from service.operations.gateway_canary import due_since
from service.operations.intake import Intake
from service.operations.plan_reading import NamedPhone, PlanRequest
from service.operations.service import Service
from service.store import clubs, dives, health, sites
from service.store.clubs import CanaryClub
from service.store.dives import UnreadableDive
from service.store.health import Heartbeat
from service.store.tables import ClubRow

_LOG = logging.getLogger(__name__)

RUN_TIME_MIN: Final = 5.0  # the shortest of both that the rules allow
GRACE_MIN: Final = 5.0
ENDS_ANYWAY_AFTER: Final = timedelta(minutes=3)  # after the raise-by time, whether its alert was handed over or not
ENDS_AGAIN_EVERY: Final = timedelta(minutes=20)  # after it was filed: one that is still open then is ended anew
TEXTS_MAX: Final = 3

NAME: Final = "Canary test"
NOTES: Final = "The canary dive, filed once a day by itself. Nobody is in the water."
FILED_BY: Final = Actor(Role.STRANGER, "the daily canary dive", Via.COMMAND)
NO_SITE: Final = "the club has no site yet"
KEY_TAKEN: Final = "a script has filed a plan under its request key"


@dataclass(frozen=True, slots=True)
class _ToDo:
    """What is to be done for a club: go on with the dive that is open, or file today's."""

    club_id: str
    open_id: str | None


def look_after_canary_dives(service: Service, intake: Intake) -> None:
    """Begin today's canary dives where they are due, bring each a step further, and tell admins of what is late.

    Idempotent: a dive is filed once a day by its request key, and each of its texts is known by its id.
    """
    for to_do in service.read(partial(_to_do, now=service.clock.now())):
        try:
            _look_after(service, intake, to_do)
        except Exception:  # noqa: BLE001 - logged; the dive of one club must not keep those of others
            _LOG.exception("canary_dive_not_looked_after", extra={"club": to_do.club_id})
    tell_of_canary_dives(service)


def set_number(service: Service, session: Session, club_id: str, number: str | None) -> None:
    """Give a club its canary number, or None to end that; from now on a day without a canary dive is a fault.

    Raises LookupError for no such club.
    """
    clubs.set_canary_number(session, club_id, number)
    health.beat(session, refusal_mark(club_id), service.clock.now())


def _to_do(session: Session, now: datetime) -> list[_ToDo]:
    """Also for those whose number was taken away: their last dive may have to be ended."""
    marks, found = health.heartbeats(session), []
    for club in clubs.canaries(session):
        last = marks.get(last_mark(club.id))
        open_id = None if last is None else _if_open(session, last.detail or "")
        if open_id is not None or _is_due(club, last, now):
            found.append(_ToDo(club.id, open_id))
    return found


def _look_after(service: Service, intake: Intake, to_do: _ToDo) -> None:
    dive_id = to_do.open_id
    if dive_id is None:
        dive_id = service.write(partial(_file, service, club_id=to_do.club_id, now=service.clock.now()))
        service.nudge()
    if dive_id is not None:
        _go_on(service, intake, dive_id)


def _if_open(session: Session, dive_id: str) -> str | None:
    """The dive while it is open. One that cannot be read is not ours to end."""
    try:
        dive = dives.get(session, dive_id)
    except UnreadableDive:
        return None
    return None if dive is None or dive.phase is Phase.CLOSED else dive.id


def _is_due(club: CanaryClub | ClubRow, last: Heartbeat | None, now: datetime) -> bool:
    return club.canary_number is not None and (last is None or last.at < due_since(club.zone, now))


def _file(service: Service, session: Session, club_id: str, now: datetime) -> str | None:
    """The id of today's dive; None where it is there already, or where the plan is refused, which is kept."""
    club = clubs.get(session, club_id)
    if club is None or not _is_due(club, health.heartbeat(session, last_mark(club_id)), now):
        return None
    dive, why = _filed(service, session, club, now)
    if dive is None:
        health.beat(session, refusal_mark(club_id), now, why)
        return None
    health.beat(session, last_mark(club_id), now, dive.id)
    return dive.id


def _filed(service: Service, session: Session, club: ClubRow, now: datetime) -> tuple[Dive | None, str]:
    """Today's dive, or why there is none."""
    site = next(iter(sites.listing(session, club.id)), None)
    if site is None:
        return None, NO_SITE
    day = due_since(club.zone, now).astimezone(ZoneInfo(club.zone)).date()
    filed = file_in(
        service, session, club, _plan(club, site.code), FILED_BY, now, request_key=f"canary dive {day}", drill=True
    )
    if isinstance(filed, PlanRefused):
        return None, refusals(filed.checks)[0].words
    return (filed.dive, "") if filed.dive.drill else (None, KEY_TAKEN)


def _plan(club: ClubRow, site: str) -> PlanRequest:
    phone = NamedPhone(NAME, club.canary_number, ways=("text",))
    return PlanRequest(
        site=site, run_time_min=RUN_TIME_MIN, grace_min=GRACE_MIN, lead=phone, contacts=(phone,), notes=NOTES
    )


def _go_on(service: Service, intake: Intake, dive_id: str) -> None:
    """Text for the phone what is to be said now. One that is still open after its time is ended by text again."""
    for _ in range(TEXTS_MAX):
        course = service.read(partial(course_of, dive_id=dive_id))
        now = service.clock.now()
        if course is None or course.dive.phase is Phase.CLOSED:
            return
        times_over = (now - course.dive.filed_at) // ENDS_AGAIN_EVERY
        if times_over > 0:
            _text(service, intake, course, f"{OUT}-{times_over}", _out(course.dive))
            return
        said = _to_say(course, now)
        if said is None:
            return
        _text(service, intake, course, *said)


def _to_say(course: Course, now: datetime) -> tuple[str, str] | None:
    """The next text of the phone and its name; None while it is to wait. None is said twice."""
    dive = course.dive
    out = None if OUT in course.texts else (OUT, _out(dive))
    if dive.started_at is None:
        return None if IN in course.texts else (IN, f"IN {dive.start_code}")
    if course.handed_at(*ALERTS) is not None and not course.is_lost(ALERTS):  # what was lost goes once more
        return out if OK in course.texts else (OK, f"OK {dive.reference}")
    late = dive.raise_by_at is not None and now >= dive.raise_by_at + ENDS_ANYWAY_AFTER
    return out if late else None


def _out(dive: Dive) -> str:
    return f"OUT 1 {dive.finish_code}"


def _text(service: Service, intake: Intake, course: Course, name: str, body: str) -> None:
    """As a gateway's text comes in once that has proved who it is: kept first, then read."""
    text = InboundText(
        gateway=TEXTS_BY,
        provider_id=text_id(course.dive.id, name),
        sender=course.dive.lead.phone or "",
        receiver=course.receiving_number,
        body=body,
        raw={},
        received_at=service.clock.now(),
    )
    inbound_id = intake.text(text)
    if inbound_id is not None:
        answer_quietly(service, inbound_id)
