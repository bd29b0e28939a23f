"""Dives, logs and messages as the API gives them."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from urllib.parse import urlencode

import msgspec

from service.domain.dive import Dive
from service.domain.dive.ways import ways_to
from service.domain.people import Channel, Recipient
from service.domain.place.conditions import Conditions, Current, Seen, Wind
from service.domain.place.fix import Fix
from service.domain.plan import Level, check_plan
from service.operations.filing import PlanFiled
from service.operations.pages import DiveDetails, DivesPage
from service.operations.proof_of_reach import ContactStanding
from service.store.dives import Unreadable
from service.store.log import Entry
from service.store.outbox import Message
from service.web.api_reading import place_text
from service.web.api_shapes import (
    CheckOut,
    ConditionsOut,
    ContactOut,
    CurrentOut,
    DetailsOut,
    DiveOut,
    EventOut,
    FiledOut,
    FixOut,
    MessageOut,
    OnSceneOut,
    PersonOut,
    SiteOut,
    StandingOut,
    UnreadableOut,
    WindOut,
)
from service.web.speaking import without_token


def filed_out(filed: PlanFiled, page: str, standings: Sequence[ContactStanding]) -> FiledOut:
    """A filed plan; its advice is worked out again, so that a repeated request is answered alike.

    What concerned only the request, such as words that were not kept, is said the first time.
    """
    dive = filed.dive
    due_out, raise_by = _expected(dive)
    checks = check_plan(dive.plan, dive.filed_at, dive.grace.grace, drill=dive.drill)
    checks += tuple(check for check in filed.checks if check not in checks)
    advice = [check for check in checks if check.level is Level.ADVISE]
    return FiledOut(
        id=dive.id,
        reference=dive.reference,
        start_code=dive.start_code,
        finish_code=dive.finish_code,
        due_out=due_out,
        raise_by=raise_by,
        page=page,
        checks=tuple(CheckOut(check.field, check.words) for check in advice),
        standings=_standings(standings),
    )


def _standings(standings: Sequence[ContactStanding]) -> tuple[StandingOut, ...]:
    return tuple(StandingOut(one.key, one.name, one.standing) for one in standings)


def _expected(dive: Dive) -> tuple[datetime | None, datetime | None]:
    """Due out and raise-by time: those in force, else those that the planned time in would give."""
    if dive.due_out_at is None and dive.plan.time_in_at is not None:
        due_out = dive.plan.time_in_at + dive.plan.run_time
        return due_out, due_out + dive.grace.grace
    return dive.due_out_at, dive.raise_by_at


def listed_out(dive: Dive | Unreadable) -> DiveOut | UnreadableOut:
    """A dive in a list, where one that cannot be read hides no other."""
    return UnreadableOut(dive.dive_id, dive.reference, dive.phase) if isinstance(dive, Unreadable) else dive_out(dive)


def next_page(public_url: str, phase: str | None, page: DivesPage) -> str | None:
    """The address of the page behind this one."""
    if page.next_after is None:
        return None
    of_phase = {} if phase is None else {"phase": phase}
    return f"{public_url}/api/v1/dives?{urlencode({**of_phase, 'after': place_text(page.next_after)})}"


def dive_out(dive: Dive) -> DiveOut:
    """A dive as it stands."""
    site, (due_out, raise_by) = dive.plan.site, _expected(dive)
    position = None if site.position is None else (site.position.lat, site.position.lon)
    return DiveOut(
        id=dive.id,
        reference=dive.reference,
        phase=dive.phase.value,
        outcome=None if dive.outcome is None else dive.outcome.value,
        drill=dive.drill,
        site=SiteOut(site.name, site.code, site.zone, position, site.rescue_call),
        head_count=dive.head_count,
        party=_people(dive.divers),
        contacts=_contacts(dive),
        unreachable=dive.unreachable,
        filed_at=dive.filed_at,
        time_in=dive.plan.time_in_at,
        started_at=dive.started_at,
        assumed_start=dive.assumed,
        due_out=due_out,
        raise_by=raise_by,
        armed=dive.live and dive.armed_at is not None,
        alarm_at=dive.alarm_at,
        acknowledged=tuple(answered.key for answered in dive.acknowledged),
        rescue_called_at=dive.called_at,
        last_position=_fix(dive.last_position),
        fixes=tuple(fix for fix in map(_fix, dive.fixes) if fix is not None),
        conditions=_conditions(dive.conditions),
        on_scene=tuple(OnSceneOut(there.key, there.at) for there in dive.on_scene),
        closed_at=dive.closed_at,
    )


def details_out(details: DiveDetails, standings: Sequence[ContactStanding]) -> DetailsOut:
    """A dive with its log and messages, and how far its contacts can be relied upon."""
    return DetailsOut(
        **msgspec.structs.asdict(dive_out(details.dive)),
        standings=_standings(standings),
        events=tuple(map(_event, details.entries)),
        messages=tuple(map(_message, details.messages)),
    )


def _fix(fix: Fix | None) -> FixOut | None:
    if fix is None:
        return None
    position, doubt = (fix.position.lat, fix.position.lon), None if fix.doubt is None else fix.doubt.value
    return FixOut(position, fix.at, fix.by, fix.source.value, fix.accuracy_m, doubt)


def _conditions(seen: Conditions | None) -> ConditionsOut | None:
    if seen is None:
        return None
    return ConditionsOut(seen.at, seen.by, _current(seen.current, seen.of_current), _wind(seen.wind, seen.of_wind))


def _current(current: Current | None, seen: Seen) -> CurrentOut | None:
    return None if current is None else CurrentOut(current.set_deg, current.drift_kn, seen.at, seen.by)


def _wind(wind: Wind | None, seen: Seen) -> WindOut | None:
    return None if wind is None else WindOut(wind.from_deg, wind.speed_kn, seen.at, seen.by)


def _people(people: Sequence[Recipient]) -> tuple[PersonOut, ...]:
    return tuple(PersonOut(person.key, person.name, person.phone, person.language) for person in people)


def _contacts(dive: Dive) -> tuple[ContactOut, ...]:
    return tuple(
        ContactOut(one.key, one.name, one.phone, one.language, one.email, ways_to(dive, one)) for one in dive.contacts
    )


def _event(entry: Entry) -> EventOut:
    return EventOut(entry.seq, entry.at, entry.kind, entry.actor, entry.detail)


def _message(message: Message) -> MessageOut:
    return MessageOut(
        id=message.id,
        to=message.person_key,
        name=message.name,
        phone=message.phone,
        channel=Channel(message.channel),
        kind=message.kind,
        step=message.step,
        state=message.state,
        body=without_token(message.body),
        due_at=message.due_at,
        queued_at=message.queued_at,
        handed_at=message.handed_at,
        delivered_at=message.delivered_at,
        failed_reason=message.failed_reason,
    )
