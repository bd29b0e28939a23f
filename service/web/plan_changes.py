"""What is different between the plan that a form has filed and what it says now, in words for whoever typed it.

A form files once, so that what was changed in it afterwards is in no plan until it is filed anew.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Final

from service.domain.dive import Dive
from service.domain.local_time import say
from service.domain.place.position import decimal
from service.domain.plan import Contact, Diver
from service.web.speaking import phone, zone_name
from service.web.ways_words import LANGUAGE_NAMES

NOTHING: Final = "nothing"

_LANGUAGES: Final = dict(LANGUAGE_NAMES)


@dataclass(frozen=True, slots=True)
class Change:
    """One thing that is not as it was filed."""

    label: str
    filed: str
    typed: str


@dataclass(frozen=True, slots=True)
class _Part:
    """A part of a plan: what makes it another one, and how it is said. What a club changes of its site is no change."""

    label: str
    value: Callable[[Dive], Any]
    words: Callable[[Dive, datetime], str]


def changes(filed: Dive, typed: Dive, now: datetime) -> tuple[Change, ...]:
    """All that differs; empty where the form says what was filed."""
    return tuple(
        Change(part.label, part.words(filed, now) or NOTHING, part.words(typed, now) or NOTHING)
        for part in _PARTS
        if part.value(filed) != part.value(typed)
    )


def _where(dive: Dive) -> tuple[Any, ...]:
    """The club's site by its code; of another place all that was typed."""
    site = dive.plan.site
    return (site.code,) if site.code else (None, site.name, site.position, site.rescue_call)


def _where_words(dive: Dive, _: datetime) -> str:
    site = dive.plan.site
    if site.code or site.position is None:
        return site.name
    return f"{site.name}, {decimal(site.position)}, rescue by {site.rescue_call}"


def _time_in_words(dive: Dive, now: datetime) -> str:
    at, zone = dive.plan.time_in_at, dive.plan.site.zone
    return "when the text IN comes" if at is None else f"{say(at, zone, now)} ({zone_name(zone)})"


def _ways_and_language(person: Diver | Contact) -> str:
    email = person.email if isinstance(person, Contact) else None
    return "".join(f", {words}" for words in (email, _LANGUAGES.get(person.language)) if words)


def _people(people: Sequence[Diver | Contact]) -> str:
    return "; ".join(
        f"{one.name}{f' {phone(one.phone)}' if one.phone else ''}{_ways_and_language(one)}" for one in people
    )


def _contacts(dive: Dive) -> list[tuple[str, str, str, str | None]]:
    """Without the ways that the service chose for them."""
    return [(one.name, one.phone, one.language, one.email) for one in dive.plan.contacts]


def _gas_words(dive: Dive, _: datetime) -> str:
    gas = dive.plan.gas
    if gas is None:
        return ""
    return (
        f"{gas.cylinder_l:g} litres, {gas.fill_bar:g} bar, reserve {gas.reserve_bar:g} bar,"
        f" {gas.surface_rate_l_min:g} litres a minute"
    )


def _minutes(span: timedelta) -> str:
    return f"{span.total_seconds() / 60:g} min"


def _figure(unit: str, value: Callable[[Dive], float | None]) -> Callable[[Dive, datetime], str]:
    def words(dive: Dive, _: datetime) -> str:
        figure = value(dive)
        return "" if figure is None else f"{figure:g} {unit}"

    return words


def _as_written(label: str, value: Callable[[Dive], str | None]) -> _Part:
    return _Part(label, value, lambda dive, _: value(dive) or "")


_PARTS: Final = (
    _Part("Where", _where, _where_words),
    _Part("Exits", lambda dive: dive.plan.exits, lambda dive, _: ", ".join(dive.plan.exits)),
    _Part("Time in", lambda dive: dive.plan.time_in_at, _time_in_words),
    _Part("Run time", lambda dive: dive.plan.run_time, lambda dive, _: _minutes(dive.plan.run_time)),
    _Part("Grace", lambda dive: dive.grace.grace, lambda dive, _: _minutes(dive.grace.grace)),
    _Part("Who goes in", lambda dive: dive.plan.party, lambda dive, _: _people(dive.plan.party)),
    _Part("Contacts", _contacts, lambda dive, _: _people(dive.plan.contacts)),
    _as_written("Vehicle", lambda dive: dive.plan.vehicle),
    _as_written("Kit", lambda dive: dive.plan.kit),
    _as_written("Surface marker buoy", lambda dive: dive.plan.smb),
    _as_written("Notes", lambda dive: dive.plan.notes),
    _as_written("Medical notes", lambda dive: dive.plan.medical),
    _Part("Water", lambda dive: dive.plan.water_c, _figure("degrees Celsius", lambda dive: dive.plan.water_c)),
    _Part("Depth", lambda dive: dive.plan.depth_m, _figure("metres", lambda dive: dive.plan.depth_m)),
    _Part("Gas", lambda dive: dive.plan.gas, _gas_words),
)
