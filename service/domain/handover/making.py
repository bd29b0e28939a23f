"""Making the pack of a dive at a moment."""

from __future__ import annotations

from datetime import datetime

from service.domain.dive.state import Dive
from service.domain.handover import limits
from service.domain.handover import situation as told
from service.domain.handover.pack import CAUTION, EXERCISE, NO_CALL, Fact, Moment, Pack, Person, Whereabouts
from service.domain.handover.script import script
from service.domain.handover.whereabouts import whereabouts
from service.domain.phone import national_format
from service.domain.place.daylight import light_at
from service.domain.place.exits import exits_for
from service.domain.place.search_area import CAUTION as SEARCH_CAUTION
from service.domain.place.search_area import DEFAULT_FACTORS, Picture, SearchFactors, search_notes, search_pictures
from service.domain.place.sketch import draw

NOT_SAID = "Not in the plan."


def pack(
    dive: Dive, now: datetime, timeline: tuple[Moment, ...] = (), *, factors: SearchFactors = DEFAULT_FACTORS
) -> Pack:
    """The pack of this dive as of `now`; pure and total for every dive whose plan was filed.

    `timeline` is a line for every event of the dive, oldest first; what is newer than the dive is left out.
    """
    site, last = dive.plan.site, dive.last_position
    where, seas = whereabouts(dive, now), limits.water(dive, now)
    gone = limits.gas_gone(dive)
    light = None if where.position is None else light_at(where.position, now)
    exits = exits_for(site, where.position, dive.current, dive.due_out_at, dive.plan.exits)
    pictures = _pictures(dive, now, factors)
    return Pack(
        dive_id=dive.id,
        version=dive.version,
        reference=dive.reference,
        club=dive.club_name,
        now=now,
        zone=site.zone,
        drill=dive.drill,
        phase=dive.phase,
        situation=told.situation(dive, now),
        event=told.event(dive, now),
        headline=told.headline(dive, now),
        head_count=told.head_count(dive),
        missing=told.missing(dive),
        incident=dive.called_reference,
        names=tuple(diver.name for diver in dive.divers),
        where=where,
        times=told.times(dive),
        gas=gone,
        light=light,
        water=seas,
        rescue_call=site.rescue_call,
        party=told.party(dive),
        contacts=told.contacts(dive, now),
        on_scene=told.on_scene(dive, now),
        done=told.done(dive, now),
        first=(
            *_who_and_where(dive, where, now),
            *_last_heard_and_kit(dive, now),
            limits.gas_fact(dive, gone, now),
            limits.light_fact(dive, light, now),
            limits.tide_fact(dive, seas, now),
            *_people_and_deeds(dive, now),
        ),
        more=_more(dive, pictures, now),
        script=script(dive, where, now),
        site=site,
        fixes=dive.dated_fixes,
        exits=exits,
        pictures=pictures,
        search_notes=_search_notes(dive, pictures, factors, now),
        sketch=draw(site, last, dive.fixes, pictures, exits),
        timeline=timeline[: dive.version],
        medical=dive.plan.medical,
        caution=f"{EXERCISE}. {NO_CALL} {CAUTION}" if dive.drill else CAUTION,
    )


def _pictures(dive: Dive, now: datetime, factors: SearchFactors) -> tuple[Picture, ...]:
    """Where to look; nothing before the start, once it is over, or without a position."""
    last, seen = dive.drifts_from, dive.conditions
    if last is None or not dive.live:
        return ()
    return search_pictures(last, now, dive.current, None if seen is None else seen.wind, factors=factors)


def _search_notes(dive: Dive, pictures: tuple[Picture, ...], factors: SearchFactors, now: datetime) -> tuple[str, ...]:
    last, seen, site = dive.drifts_from, dive.conditions, dive.plan.site
    if last is None or not pictures:
        return ()
    wind = None if seen is None else seen.wind
    return search_notes(
        last,
        pictures,
        dive.current,
        wind,
        site.tides,
        site.zone,
        factors,
        current_source=limits.current_source(dive, now),
        wind_source=limits.wind_source(dive, now),
    )


def _who_and_where(dive: Dive, where: Whereabouts, now: datetime) -> tuple[Fact, ...]:
    first = where.forms[0].words if where.forms else "No position known"
    return (
        Fact("what", "What", told.headline(dive, now)),
        Fact("who", "How many, who", told.who(dive)),
        Fact("where", "Where", f"{where.site}. {first}."),
        Fact("how_known", "How known", f"{where.how[0].upper()}{where.how[1:]}."),
        Fact("since", "Since", told.since(dive, now)),
    )


def _last_heard_and_kit(dive: Dive, now: datetime) -> tuple[Fact, ...]:
    return (
        Fact("last_heard", "Last heard", told.last_heard(dive, now)),
        Fact("kit", "Kit and colours", dive.plan.kit or NOT_SAID),
        Fact("smb", "Marker buoy", dive.plan.smb or NOT_SAID),
    )


def _people_and_deeds(dive: Dive, now: datetime) -> tuple[Fact, ...]:
    there = told.on_scene(dive, now)
    return (
        Fact("on_scene", "At the site", _people(there) if there else "Nobody has told us that they are there."),
        Fact("done", "Done so far", " ".join(told.done(dive, now))),
    )


def _more(dive: Dive, pictures: tuple[Picture, ...], now: datetime) -> tuple[Fact, ...]:
    plan = dive.plan
    found = [
        Fact("access", "Access", plan.site.access or "Not in the site's notes."),
        Fact("exits", "Planned exits", f"{', '.join(plan.exits)}." if plan.exits else NOT_SAID),
        Fact("vehicle", "Their vehicle", plan.vehicle or NOT_SAID),
        Fact("depth", "Planned depth", NOT_SAID if plan.depth_m is None else f"{plan.depth_m:g} m"),
        *([Fact("search", "Search area", pictures[0].words, SEARCH_CAUTION)] if pictures else []),
        limits.current_fact(dive, now),
        limits.wind_fact(dive, now),
        limits.cold_fact(dive),
        Fact("rescue", "Rescue", plan.site.rescue_call),
    ]
    if plan.site.non_emergency_call:
        found.append(Fact("non_emergency", "Non-emergency", plan.site.non_emergency_call))
    if plan.medical:
        found.append(Fact("medical", "Medical", plan.medical))
    if plan.notes:
        found.append(Fact("notes", "Notes", plan.notes))
    return tuple(found)


def _people(people: tuple[Person, ...]) -> str:
    return "; ".join(_person(person) for person in people)


def _person(person: Person) -> str:
    number = f" {national_format(person.phone)}" if person.phone else ""
    return f"{person.name}{number}{f', {person.words}' if person.words else ''}"
