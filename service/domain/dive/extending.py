"""Being late on purpose: due out moves once a contact holds the new raise-by time, and never past the cap."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.domain.dive import refusals as no
from service.domain.dive.commands import Extend, Refusal
from service.domain.dive.events import Event, ExtensionAsked, LatePassedOn
from service.domain.dive.state import Dive, Phase
from service.domain.dive.ticking import tick
from service.domain.local_time import LocalTimeError, next_instants
from service.domain.people import Role

ONE_DAY_MIN = 24 * 60  # past every cap; more would only leave the calendar


def extend(dive: Dive, command: Extend, now: datetime) -> tuple[Event, ...] | Refusal:
    """A request for a later due out; once the alert is up it is only passed on to the contacts."""
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if command.by.role is Role.CONTACT or command.by.is_outsider:
        return no.only_the_party_is_late(dive, now)
    if dive.alarmed:
        return (LatePassedOn(at=now, by=command.by),)
    if dive.due_out_at is None or dive.first_due_out_at is None:
        return no.not_started(dive, command.by, now)
    if dive.alarm_due_at is not None and dive.alarm_due_at <= now:
        # No sweep has been since the alarm fell due. It is due all the same, and a late text must not quieten it.
        return (*tick(dive, now), LatePassedOn(at=now, by=command.by))
    return _moved(dive, command, dive.due_out_at, dive.first_due_out_at + dive.grace.extension_cap, now)


def _moved(
    dive: Dive, command: Extend, due_out_at: datetime, latest: datetime, now: datetime
) -> tuple[Event, ...] | Refusal:
    try:
        could = _wanted(dive, command, due_out_at)
    except LocalTimeError as error:
        return Refusal(code="no_such_time", said=no.no_such_time(command.until or "", error), at=now)
    possible = [at for at in could if max(now, due_out_at) < at <= latest]
    if len(possible) > 1:
        return no.comes_twice(dive, possible, now)
    wanted = possible[0] if possible else could[0]
    if wanted > latest:
        return no.past_the_cap(dive, latest, now)
    if wanted <= max(now, due_out_at):
        return no.not_later(dive, wanted, now)
    return (ExtensionAsked(at=now, by=command.by, due_out_at=wanted, number=dive.extensions_asked + 1),)


def _wanted(dive: Dive, command: Extend, due_out_at: datetime) -> list[datetime]:
    """Minutes count from the due out in force; of a clock time the first one after the start is meant.

    In the hour that comes twice both that the site's clock shows may be meant, and what can be is taken.
    """
    if command.until is not None:
        return next_instants(command.until, dive.plan.site.zone, dive.started_at or due_out_at)
    asked = command.minutes or 0
    return [due_out_at + timedelta(minutes=max(-ONE_DAY_MIN, min(asked, ONE_DAY_MIN)))]
