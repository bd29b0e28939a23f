"""What a button at the desk did, for an officer: as for everybody else, but for what speaks of texting us."""

from __future__ import annotations

from datetime import datetime
from typing import Final

from service.domain.dive import Dive
from service.domain.dive.events import ExtensionAsked, PartlyOut
from service.operations.recording import Applied
from service.web.outcomes import told
from service.web.speaking import clock, zone_name

_PAST_THE_CAP: Final = "past_the_cap"
_CLOSED: Final = "closed"


def told_at_desk(applied: Applied, now: datetime) -> str:
    """One sentence or a few: what happened, or why nothing did."""
    dive = applied.dive
    if applied.refusal is not None:
        return _refused(dive, applied.refusal.code, now) or applied.refusal.words
    for event in applied.events:
        if isinstance(event, PartlyOut):
            return (
                f"Not closed. {event.count} of {dive.head_count} are safe: that is noted. {event.missing} missing, and"
                " who that is we do not know. The clock goes on."
            )
        if isinstance(event, ExtensionAsked):
            due, asked = _at(dive, dive.due_out_at, now), _at(dive, event.due_out_at, now)
            return (
                f"Asked for due out {asked}. It counts once a contact has been handed the new time, and the party gets"
                f" a text then. Until then due out stays {due}."
            )
    return told(applied, now)


def _refused(dive: Dive, code: str, now: datetime) -> str | None:
    if code == _PAST_THE_CAP and dive.first_due_out_at is not None:
        latest = _at(dive, dive.first_due_out_at + dive.grace.extension_cap, now)
        return f"The latest due out that this dive allows is {latest}. Due out stays {_at(dive, dive.due_out_at, now)}."
    if code == _CLOSED:
        by = "the clock" if dive.closed_by is None else dive.closed_by.name
        return f"This dive is over: closed {_at(dive, dive.closed_at, now)} by {by}."
    return None


def _at(dive: Dive, at: datetime | None, now: datetime) -> str:
    zone = dive.plan.site.zone
    return "not known" if at is None else f"{clock(at, zone, now)} ({zone_name(zone)})"
