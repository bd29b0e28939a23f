"""Sentences to read aloud over the phone, in the order in which a co-ordinator asks: what, how many, where, since when.

Common practice, no source: what and where come first, since a call may break off.
"""

from __future__ import annotations

from datetime import datetime

from service.domain.dive.events import Outcome
from service.domain.dive.state import Dive
from service.domain.handover import situation as told
from service.domain.handover.pack import EXERCISE, NO_CALL, Situation, Whereabouts
from service.domain.phone import national_format
from service.domain.place.position import lettered
from service.domain.place.spelling import spell

OWN_WORDS = ("Last heard:", "Kit:", "Surface marker buoy:", "Medical:", "Access:", "Their vehicle:")
"""How the sentences begin that repeat somebody's own words, which may be long."""

_OPENING = {
    Situation.OVERDUE: "I am reporting overdue divers.",
    Situation.IN_TROUBLE: "I am reporting divers in trouble.",
    Situation.IN_WATER: "I am worried about divers who are in the water. They are not overdue yet.",
    Situation.NOT_STARTED: "I am worried about divers. It is not known that they went in.",
    Situation.OVER: "I am calling to say that it is over.",
}


def script(dive: Dive, where: Whereabouts, now: datetime) -> tuple[str, ...]:
    """What to say. In a drill it begins and ends with EXERCISE."""
    mark = (f"{EXERCISE}, {EXERCISE}, {EXERCISE}. This is a drill. {NO_CALL}",) if dive.drill else ()
    end = (f"{EXERCISE}, {EXERCISE}, {EXERCISE}.",) if dive.drill else ()
    over = told.closing(dive, now)
    said = _over(dive, over) if over is not None else _report(dive, where, now)
    return (*mark, _OPENING[told.situation(dive, now)], *said, *end)


def _over(dive: Dive, closing: str) -> tuple[str, ...]:
    incident = f"Your incident number is {spell(dive.called_reference)}." if dive.called_reference else None
    named = f"It is about the dive at {dive.plan.site.name}: {told.who(dive)}"
    known = "Nobody is known to have gone in." if dive.outcome is Outcome.LAPSED else "Nobody is missing."
    return tuple(words for words in (incident, named, closing, known) if words)


def _report(dive: Dive, where: Whereabouts, now: datetime) -> tuple[str, ...]:
    plan = dive.plan
    found: list[str | None] = [
        told.who(dive),
        *_where(where),
        told.since(dive, now),
        f"Last heard: {told.last_heard(dive, now)}.",
        f"Kit: {plan.kit}." if plan.kit else None,
        f"Surface marker buoy: {plan.smb}." if plan.smb else None,
        f"Medical: {plan.medical}." if plan.medical else None,
        f"Access: {where.access.rstrip('.')}." if where.access else None,
        f"Their vehicle: {plan.vehicle}." if plan.vehicle else None,
        *(f"At the site, to meet you: {_person(person.name, person.phone)}." for person in told.on_scene(dive, now)),
        f"The phone of the lead diver is {spell(national_format(dive.lead.phone))}." if dive.lead.phone else None,
        "Please give me an incident number, and tell me what to do now.",
    ]
    return tuple(words for words in found if words)


def _where(where: Whereabouts) -> tuple[str, ...]:
    if where.position is None or where.spelled is None:
        return (f"They dive at {where.site}. No position is known.",)
    return (
        f"They dive at {where.site}.",
        f"The position is: {where.spelled}.",
        f"I say it again in decimal degrees: {spell(lettered(where.position))}.",
        f"That is {where.how}.",
    )


def _person(name: str, phone: str | None) -> str:
    return f"{name}, {spell(national_format(phone))}" if phone else name
