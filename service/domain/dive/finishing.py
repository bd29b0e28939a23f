"""How a dive ends: only by an explicit, wholly understood and attributable word."""

from __future__ import annotations

from datetime import datetime

from service.domain.dive import refusals as no
from service.domain.dive.commands import CallOff, EndDrill, Finish, Refusal, ReportSafe
from service.domain.dive.events import REAL_ALARM, Closed, Event, Outcome, PartlyOut
from service.domain.dive.state import Dive, Phase
from service.domain.grace import FinishNeeds
from service.domain.people import Role, Via


def finish(dive: Dive, command: Finish, now: datetime) -> tuple[Event, ...] | Refusal:
    """The party, or whoever has the finish code, says that they are out."""
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if command.by.role is Role.CONTACT and not command.with_code:
        return no.contact_says_out(dive, now)
    if command.by.is_outsider and not command.with_code:
        return no.finish_needs_code(dive, now)
    needs = dive.grace.finish_needs
    if needs is FinishNeeds.CODE and command.by.via is Via.TEXT and not command.with_code:
        return no.finish_needs_code(dive, now)
    # Once fewer were counted out, a bare OUT may be the same diver again: only a count says that all are.
    counted = needs is FinishNeeds.HEADCOUNT or dive.partly_out is not None
    if counted and command.count is None:
        return no.finish_needs_count(dive, now)
    return _out(dive, command, Outcome.SURFACED, now)


def report_safe(dive: Dive, command: ReportSafe, now: datetime) -> tuple[Event, ...] | Refusal:
    """A contact or an admin says how many are safe; a diver who says it has surfaced."""
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if command.by.is_outsider:
        return no.finish_needs_code(dive, now)
    if command.count is None:
        return no.safe_needs_count(dive, now)
    diver = command.by.role is Role.DIVER
    if diver and dive.grace.finish_needs is FinishNeeds.CODE and command.by.via is Via.TEXT:
        return no.finish_needs_code(dive, now)
    outcome = Outcome.SURFACED if diver else Outcome.STOOD_DOWN
    return _out(dive, command, outcome, now, command.reason)


def call_off(dive: Dive, command: CallOff, now: datetime) -> tuple[Event, ...] | Refusal:
    """Nobody goes in. Once they are in the water only a finish ends it, unless the start is only assumed."""
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if command.by.role is Role.CONTACT:
        return no.contact_says_out(dive, now)
    # Where a finish needs its code, a forged "not diving" must not stop a clock that runs either.
    unproved = dive.grace.finish_needs is FinishNeeds.CODE and command.by.via is Via.TEXT
    if command.by.is_outsider or (unproved and dive.assumed):
        return no.finish_needs_code(dive, now)
    if dive.live and (not dive.assumed or dive.start_said):
        return no.in_the_water(dive, now) if dive.started_at is not None else no.alarm_is_up(dive, now)
    never = dive.phase is Phase.FILED
    return (Closed(at=now, by=command.by, outcome=Outcome.CALLED_OFF, never_started=never),)


def end_drill(dive: Dive, command: EndDrill, now: datetime) -> tuple[Event, ...] | Refusal:
    """Whoever runs an exercise ends it. A dive that is none never ends like that, whatever asks for it."""
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if not dive.drill:
        return no.no_drill(dive, now)
    reason = REAL_ALARM if command.real_alarm else None
    never = dive.started_at is None
    return (Closed(at=now, by=command.by, outcome=Outcome.CALLED_OFF, never_started=never, reason=reason),)


def _out(
    dive: Dive, command: Finish | ReportSafe, outcome: Outcome, now: datetime, reason: str | None = None
) -> tuple[Event, ...] | Refusal:
    by, count = command.by, command.count
    if command.of is not None and command.of != dive.head_count:
        return no.of_another_party(dive, command, now)
    if count is not None and not 0 <= count <= dive.head_count:
        return no.more_than_the_party(dive, count, now)
    if count is not None and count < dive.head_count:
        return (PartlyOut(at=now, by=by, count=count, missing=dive.head_count - count),)
    never = dive.started_at is None
    return (Closed(at=now, by=by, outcome=outcome, count=dive.head_count, never_started=never, reason=reason),)
