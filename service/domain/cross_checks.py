"""Cross-checks of a plan: gas, no-stop limit, light, tide and cold, as advice that never blocks.

Each says by which rule it was reckoned and what the rule leaves out. What is well inside its limits is not mentioned;
what could not be checked is listed at the end, with the input that would allow it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.domain.cold_water import cold_water_guidance
from service.domain.gas import GasPlan, endurance
from service.domain.local_time import minutes, say
from service.domain.no_stop import no_stop_limit
from service.domain.place.daylight import Light, Phase, light_at
from service.domain.place.position import Position
from service.domain.place.tide import Method, TidalExtreme, height_at, is_rising

CAUTION = "A cross-check only: computers, tables and training decide."

SEARCH_LIGHT = timedelta(hours=1)
"""Less light than this after the raise-by time is worth a word. Ours; no published source."""

_GAS_BY = "Boyle's law, 10 m of sea water to 1 bar"
_NO_STOP_BY = "US Navy Diving Manual, revision 7, table 9-7"
_LIGHT_BY = "sunset and civil twilight as the US Naval Observatory defines them"
_TIDE_BY = f"{Method.HALF_SINE} between the high and low waters entered"

_TIDES = "high and low waters"
_TIME_IN = "time in"


@dataclass(frozen=True, slots=True)
class CrossCheckInput:
    """What the cross-checks look at; None where it was not given. `zone` is the site's IANA zone.

    `depth_m` is the planned depth in metres, `entry` where the party goes in, `water_c` the water temperature in
    degrees Celsius, `tides` a good list of high and low waters (see `place.tide.check_extremes`).
    """

    run_time: timedelta
    zone: str
    time_in_at: datetime | None = None
    due_out_at: datetime | None = None
    raise_by_at: datetime | None = None
    depth_m: float | None = None
    gas: GasPlan | None = None
    entry: Position | None = None
    tides: tuple[TidalExtreme, ...] = ()
    water_c: float | None = None


@dataclass(frozen=True, slots=True)
class CrossCheck:
    """One thing to say about a plan.

    `field` is the field of the plan that it is about, `source` names the published rule, and `missing` the inputs
    without which something could not be checked.
    """

    field: str
    words: str
    source: str
    missing: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Outcome:
    """What one check came to: something to say, inputs that it wants, both, or neither where all is well."""

    found: CrossCheck | None = None
    missing: tuple[str, ...] = ()


def cross_checks(given: CrossCheckInput) -> tuple[CrossCheck, ...]:
    """Everything worth a word, and in one last line what could not be checked. Empty means checked and well.

    Raises the errors of the single rules for a depth or a temperature that cannot be, and ZoneInfoNotFoundError for
    an unknown zone: a plan with such is refused before.
    """
    outcomes = {name: check(given) for name, check in _CHECKS.items()}
    said = [outcome.found for outcome in outcomes.values() if outcome.found is not None]
    unchecked = {name: outcome.missing for name, outcome in outcomes.items() if outcome.missing}
    return (*said, *_closing(unchecked))


def _closing(unchecked: Mapping[str, tuple[str, ...]]) -> tuple[CrossCheck, ...]:
    if not unchecked:
        return ()
    each = "; ".join(f"{name} (needs {' and '.join(missing)})" for name, missing in unchecked.items())
    wanted = tuple(dict.fromkeys(one for missing in unchecked.values() for one in missing))
    return (CrossCheck("cross_checks", f"Not cross-checked: {each}.", "", wanted),)


def _wanting(inputs: Mapping[str, object]) -> _Outcome:
    return _Outcome(missing=tuple(name for name, value in inputs.items() if value is None))


def _worded(field: str, finding: str, limits: str, source: str) -> _Outcome:
    return _Outcome(CrossCheck(field, f"{finding} {limits} Source: {source}. {CAUTION}", source))


def _check_gas(given: CrossCheckInput) -> _Outcome:
    if given.gas is None or given.depth_m is None:
        return _wanting({"gas": given.gas, "depth": given.depth_m})
    lasts = endurance(given.gas, given.depth_m)
    if lasts >= given.run_time:
        return _Outcome()
    finding = (
        f"At {given.depth_m:g} m the gas given lasts about {minutes(lasts)} min to its reserve,"
        f" less than the run time of {minutes(given.run_time)} min."
    )
    return _worded("gas", finding, "It takes all of the dive to be at that depth.", _GAS_BY)


def _check_no_stop(given: CrossCheckInput) -> _Outcome:
    if given.depth_m is None:
        return _wanting({"depth": None})
    limit = no_stop_limit(given.depth_m)
    if limit is None or given.run_time <= limit:
        return _Outcome()
    has = f"{minutes(limit)} min" if limit else "no time"
    finding = (
        f"At {given.depth_m:g} m the air table has {has} without decompression stops, and the run time is"
        f" {minutes(given.run_time)} min."
    )
    limits = "It takes all of the run time as bottom time, on air, of a first dive."
    return _worded("depth_m", finding, limits, _NO_STOP_BY)


def _check_light(given: CrossCheckInput) -> _Outcome:
    if given.entry is None or given.time_in_at is None or given.due_out_at is None:
        return _wanting({_TIME_IN: given.time_in_at, "position of the entry": given.entry})
    finding = _fading(given, light_at(given.entry, given.due_out_at), given.due_out_at, given.time_in_at)
    if finding is None:
        return _Outcome()
    return _worded("time_in", finding, "Hills, cloud and fog make it darker.", _LIGHT_BY)


def _fading(given: CrossCheckInput, light: Light, due_out_at: datetime, now: datetime) -> str | None:
    """What the light at due out, and until a search had begun, is worth saying; None for light enough."""
    raise_by_at, dusk_at = given.raise_by_at or due_out_at, light.civil_dusk_at
    due_out = f"due out {say(due_out_at, given.zone, now)}"
    if light.phase is Phase.DARK:
        dawn_at = light.civil_dawn_at
        until = "no dawn within a day" if dawn_at is None else f"dawn is at {say(dawn_at, given.zone, now)}"
        return f"It is dark at {due_out}, and {until}. An overdue search would be in the dark."
    if dusk_at is None:
        return None
    dark = f"dark from {say(dusk_at, given.zone, now)}"
    if light.is_fading:
        return f"The sun has set by {due_out}, and it is {dark}: little light for a search."
    if dusk_at <= raise_by_at:
        return f"It is {dark}, before the raise-by time: an overdue search would begin in the dark."
    if dusk_at <= raise_by_at + SEARCH_LIGHT:
        return f"It is {dark}, {minutes(dusk_at - raise_by_at)} min after the raise-by time: little light for a search."
    return None


def _check_tide(given: CrossCheckInput) -> _Outcome:
    if given.time_in_at is None or given.due_out_at is None or not given.tides:
        return _wanting({_TIME_IN: given.time_in_at, _TIDES: given.tides or None})
    times = {_TIME_IN: given.time_in_at, "due out": given.due_out_at}
    known = [
        f"{_tide(given.tides, at)} at {name} {say(at, given.zone, given.time_in_at)}"
        for name, at in times.items()
        if height_at(given.tides, at) is not None
    ]
    unknown = tuple(f"{_TIDES} at {name}" for name, at in times.items() if height_at(given.tides, at) is None)
    if not known:
        return _Outcome(missing=(f"{_TIDES} around the dive",))
    told = _worded("time_in", f"Tide {', '.join(known)}.", "Wind and air pressure move it.", _TIDE_BY)
    return _Outcome(told.found, unknown)


def _tide(tides: tuple[TidalExtreme, ...], at: datetime) -> str:
    return f"{height_at(tides, at):.1f} m and {'rising' if is_rising(tides, at) else 'falling'}"


def _check_cold(given: CrossCheckInput) -> _Outcome:
    if given.water_c is None:
        return _wanting({"water temperature": None})
    guidance = cold_water_guidance(given.water_c)
    if not guidance.is_cold:
        return _Outcome()
    finding = f"Water of {given.water_c:g} °C: {guidance.words}"
    return _Outcome(CrossCheck("water_c", f"{finding} Source: {guidance.source}. {CAUTION}", guidance.source))


_CHECKS: Mapping[str, Callable[[CrossCheckInput], _Outcome]] = {
    "gas": _check_gas,
    "no-stop limit": _check_no_stop,
    "light": _check_light,
    "tide": _check_tide,
    "cold water": _check_cold,
}
