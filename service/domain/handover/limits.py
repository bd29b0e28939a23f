"""Until when: gas, light, tide, and what the water does to people. Each with its caution; none is a deadline."""

from __future__ import annotations

from datetime import datetime

from service.domain.cold_water import cold_water_guidance
from service.domain.dive.state import Dive
from service.domain.gas import GasGone, gas_gone_at
from service.domain.handover.pack import Fact, Water
from service.domain.handover.speaking import at
from service.domain.place.conditions import Current, Seen, Wind
from service.domain.place.daylight import Light, Phase
from service.domain.place.geodesy import compass_point
from service.domain.place.tide import TidalExtreme, height_at, is_rising

NEXT_TIDES = 2

_GAS_CAUTION = (
    "Reckoned as if all of the dive were at the planned depth. Shallower, or at the surface, gas lasts longer or is"
    " not needed: no deadline for a search."
)
_LIGHT_CAUTION = "Hills, cloud and fog make it darker."
_TIDE_CAUTION = "Half-sine between the high and low waters that the club entered. Wind and air pressure move it."


def gas_gone(dive: Dive) -> GasGone | None:
    """By when the gas given is used; None where gas, depth or the start is not known."""
    plan = dive.plan
    if dive.started_at is None or plan.gas is None or plan.depth_m is None:
        return None
    return gas_gone_at(dive.started_at, plan.gas, plan.depth_m)


def gas_fact(dive: Dive, gone: GasGone | None, now: datetime) -> Fact:
    """By when gas is gone, in words."""
    if gone is None or dive.plan.depth_m is None:
        return Fact("gas", "Gas gone by", "Not known: the plan gives no gas or no depth, or no start is known.")
    words = (
        f"To the reserve {at(dive, gone.to_reserve_at, now)}, to empty {at(dive, gone.to_empty_at, now)}"
        f", were all of it at {dive.plan.depth_m:g} m."
    )
    return Fact("gas", "Gas gone by", words, _GAS_CAUTION)


def light_fact(dive: Dive, light: Light | None, now: datetime) -> Fact:
    """How long there is light to search by, or until there is light again."""
    if light is None:
        return Fact("light", "Light until", "Not known without a position.")
    return Fact("light", "Light until", _light(dive, light, now), _LIGHT_CAUTION)


def _light(dive: Dive, light: Light, now: datetime) -> str:
    def said(name: str, when: datetime | None) -> str:
        return f"no {name} within a day" if when is None else f"{name} {at(dive, when, now)}"

    dusk_at = light.civil_dusk_at
    dark = "not dark within a day" if dusk_at is None else f"dark from {at(dive, dusk_at, now)}"
    if light.phase is Phase.DARK:
        return f"Dark now; {said('first light', light.civil_dawn_at)}, {said('sunrise', light.sunrise_at)}."
    if light.phase is Phase.DAY:
        return f"Daylight now; {said('sunset', light.sunset_at)}, {dark}."
    if light.is_fading:
        return f"Twilight, growing dark; {dark}."
    return f"Twilight, growing light; {said('sunrise', light.sunrise_at)}, {said('sunset', light.sunset_at)}."


def water(dive: Dive, now: datetime) -> Water:
    """Current, wind and tide, as values."""
    tides = dive.plan.site.tides
    height_m = height_at(tides, now)
    coming = tuple(tide for tide in tides if tide.at > now)[:NEXT_TIDES] if height_m is not None else ()
    wind = None if dive.conditions is None else dive.conditions.wind
    return Water(dive.current, wind, height_m, coming)


def tide_fact(dive: Dive, seas: Water, now: datetime) -> Fact:
    """The tide now and next."""
    if seas.tide_m is None:
        return Fact("tide", "Tide", "Not known: the club has entered no tide times for now.")
    way = "rising" if is_rising(dive.plan.site.tides, now) else "falling"
    coming = "".join(f"; {_extreme(dive, tide, now)}" for tide in seas.next_tides)
    return Fact("tide", "Tide", f"{seas.tide_m:.1f} m and {way} now{coming}.", _TIDE_CAUTION)


def _extreme(dive: Dive, tide: TidalExtreme, now: datetime) -> str:
    return f"{'high' if tide.high else 'low'} water {at(dive, tide.at, now)}, {tide.height_m:.1f} m"


def cold_fact(dive: Dive) -> Fact:
    """What water of this temperature does; guidance, never a time to give up."""
    water_c = dive.plan.water_c
    if water_c is None:
        return Fact("water", "Water", "Temperature not given.")
    guidance = cold_water_guidance(water_c)
    return Fact("water", "Water", f"{water_c:g} \N{DEGREE SIGN}C. {guidance.words}", f"Source: {guidance.source}.")


def current_fact(dive: Dive, now: datetime) -> Fact:
    """The current and whose word it is."""
    if dive.current is None:
        return Fact("current", "Current", "Not known.")
    return Fact("current", "Current", f"{_set_and_drift(dive.current)}, {current_source(dive, now)}.")


def wind_fact(dive: Dive, now: datetime) -> Fact:
    """The wind and whose word it is."""
    seen = dive.conditions
    if seen is None or seen.wind is None:
        return Fact("wind", "Wind", "Not known.")
    return Fact("wind", "Wind", f"{_wind(seen.wind)}, {wind_source(dive, now)}.")


def current_source(dive: Dive, now: datetime) -> str:
    """Whose word the current is: that of somebody who saw it, or the site's notes."""
    seen = dive.conditions
    if seen is None or seen.current is None:
        return "by the site's notes, not seen"
    return _as_seen(dive, seen.of_current, now)


def wind_source(dive: Dive, now: datetime) -> str:
    """Whose word the wind is, where it is known."""
    return "" if dive.conditions is None else _as_seen(dive, dive.conditions.of_wind, now)


def _as_seen(dive: Dive, seen: Seen, now: datetime) -> str:
    return f"as seen by {seen.by} {at(dive, seen.at, now)}"


def _set_and_drift(current: Current) -> str:
    towards = f"{current.set_deg:03.0f}\N{DEGREE SIGN} true ({compass_point(current.set_deg)})"
    return f"Runs towards {towards} at {current.drift_kn:g} knots"


def _wind(wind: Wind) -> str:
    return f"From {wind.from_deg:03.0f}\N{DEGREE SIGN} true ({compass_point(wind.from_deg)}) at {wind.speed_kn:g} knots"
