"""Where they are and what the water does: fixes, conditions, and who is on the spot."""

from __future__ import annotations

from datetime import datetime

from service.domain.dive import commands as do
from service.domain.dive import refusals as no
from service.domain.dive.commands import Refusal
from service.domain.dive.events import ConditionsReported, Event, FixReported, OnScene
from service.domain.dive.state import Dive, Phase
from service.domain.people import Actor, Role, Via
from service.domain.place.fix import FAR_M, OFF_BY_MOST, Source, doubt_of
from service.domain.place.position import Position


def report_fix(dive: Dive, command: do.ReportFix, now: datetime) -> tuple[Event, ...] | Refusal:
    """Every fix is kept; one that cannot be theirs is kept with its doubt and not used.

    Only a time or an accuracy that means nothing is refused: no alarm must ever have to put it into words.
    """
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    fix_at = command.fix_at or now
    if abs(fix_at - now) > OFF_BY_MOST:
        return no.fix_time_unusable(now)
    if command.accuracy_m is not None and not 0 <= command.accuracy_m <= FAR_M:
        return no.fix_too_vague(now)
    source = command.source or _source(command.by)
    event = _fix(dive, command.by, command.position, fix_at, source, command.accuracy_m, now)
    # A page sends again what it had no answer to; told twice, it would wake the contacts twice.
    known = ((fix.position, fix.at, fix.by, fix.source) for fix in dive.fixes)
    return () if (event.position, event.fix_at, event.by.name, event.source) in known else (event,)


def first_fix(
    dive: Dive, by: Actor, position: Position, accuracy_m: float | None, fix_at: datetime, now: datetime
) -> FixReported:
    """The position that came with a start; one that is said to be anywhere is as good as of unknown accuracy."""
    near_m = accuracy_m if accuracy_m is None or 0 <= accuracy_m <= FAR_M else None
    return _fix(dive, by, position, fix_at, _source(by), near_m, now)


def _fix(
    dive: Dive,
    by: Actor,
    position: Position,
    fix_at: datetime,
    source: Source,
    accuracy_m: float | None,
    now: datetime,
) -> FixReported:
    doubt = doubt_of(position, fix_at, dive.plan.site.entry, now)
    return FixReported(now, by, position, fix_at, source, accuracy_m, doubt)


def _source(by: Actor) -> Source:
    if by.role in (Role.CONTACT, Role.ADMIN):
        return Source.CONTACT
    return {Via.TEXT: Source.TEXT, Via.PAGE: Source.BROWSER}.get(by.via, Source.SCRIPT)


def report_conditions(dive: Dive, command: do.ReportConditions, now: datetime) -> tuple[Event, ...] | Refusal:
    """What somebody of this dive sees of current and wind; it moves the search picture, never the clock."""
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if command.by.is_outsider:
        return no.not_of_this_dive(dive, now)
    if command.current is None and command.wind is None:
        return no.no_conditions_given(now)
    return (ConditionsReported(now, command.by, command.current, command.wind, apart=True),)


def report_on_scene(dive: Dive, command: do.ReportOnScene, now: datetime) -> tuple[Event, ...] | Refusal:
    """A contact or an admin is at the site; said once."""
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if command.by.role not in (Role.CONTACT, Role.ADMIN):
        return no.not_ashore(dive, now)
    if any(told.key == command.by.own_key for told in dive.on_scene):
        return no.on_scene_already(now)
    return (OnScene(now, command.by),)
