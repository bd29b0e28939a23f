"""Who has raised an alarm that may be up already, and with which words."""

from __future__ import annotations

from service.domain.dive.events import AlarmRaised
from service.domain.dive.state import Dive, Raising
from service.domain.people import Actor

RAISINGS_MAX = 6  # the first and the last ones; a dive that carried all would grow with each


def raisings_after(dive: Dive, event: AlarmRaised) -> tuple[Raising, ...]:
    """All who raised this alarm; whoever repeats it without a new word says nothing new.

    Nor does the text that a keeper has raised it by already, when that is read once more.
    """
    said, now = dive.raisings, Raising(event.by.said_at or event.at, event.by, event.note)
    if not event.again:
        return said if event.told_at is None else (now,)
    if not said and dive.alarm_at is not None:
        said = (Raising(dive.alarm_at, dive.raised_by, dive.raised_note),)
    if any(_same_person(one.by, event.by) and _says_no_more(event, one) for one in said):
        return said
    said = (*said, now)
    return said if len(said) <= RAISINGS_MAX else (said[0], *said[1 - RAISINGS_MAX :])


def _says_no_more(event: AlarmRaised, one: Raising) -> bool:
    return event.note is None or (event.by.said_at == one.at and event.note == one.note)


def _same_person(one: Actor | None, other: Actor) -> bool:
    return one is not None and (one.own_key, one.phone) == (other.own_key, other.phone)
