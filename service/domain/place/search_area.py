"""Where to begin to look: datum, total probable error and first search radius, for now and for the next hours.

The method is that of the National SAR Manual of 1991 (sections 521 to 524): drift is the vector sum of current and
leeway, the errors of position, search craft and drift are added as squares, and the radius is the total probable
error times a safety factor. What of it is from memory is said at each factor. Later manuals replaced the fixed safety
factors (from memory); the rescue service plans with its own.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta

from service.domain.local_time import say
from service.domain.place.conditions import KNOT_M_S, NAUTICAL_MILE_M, Current, Wind
from service.domain.place.fix import Fix
from service.domain.place.geodesy import bearing_deg, compass_point, from_local_metres
from service.domain.place.position import Position, decimal
from service.domain.place.tide import TidalExtreme

CAUTION = (
    "A starting picture for the rescue co-ordinator, not an instruction: the rescue service's own planning replaces it."
)

MOST_HOURS = 24

_HOUR = timedelta(hours=1)


class SearchFactorsError(ValueError):
    """A factor that is no number from zero up; the message names it."""


@dataclass(frozen=True, slots=True)
class SearchFactors:
    """The figures of the method, each of which a club or a co-ordinator may set. Raises SearchFactorsError."""

    position_error_m: float = 0.1 * NAUTICAL_MILE_M
    """Of the last known position (X), at the least: a fix by GPS, Australian National SAR Manual, table J-1."""
    craft_error_m: float = 0.1 * NAUTICAL_MILE_M
    """Of the search craft (Y): navigating by GPS, same table; that it is taken from there is from memory."""
    drift_error_share: float = 0.3
    """Of the distance drifted (De): as in the Danish rapid response radius, and from memory in the manuals."""
    leeway_downwind_share: float = 0.0096
    leeway_crosswind_share: float = 0.0054
    """Of the wind's speed: a person in the water, state unknown (PIW-1), without their spread; A. Allen and J. V.
    Plourde, Review of Leeway, US Coast Guard CG-D-08-99 (1999). To which side is not known: across the wind it is
    added to the drift error, which is ours, and simpler than the two datums of the manuals."""
    first_search_factor: float = 1.1
    """From total probable error to the radius of the first search: from memory."""
    unknown_current_kn: float = 0.5
    """Where no current is known, the error grows as if one of this speed ran, to any side. Ours; no source."""

    def __post_init__(self) -> None:
        """Refuse what cannot be reckoned with."""
        for field in fields(self):
            value = getattr(self, field.name)
            if not (math.isfinite(value) and value >= 0):
                raise SearchFactorsError(f"{field.name} must be a number from 0 up, not {value:g}")


DEFAULT_FACTORS = SearchFactors()


@dataclass(frozen=True, slots=True)
class Picture:
    """Where to look at one moment. Distances are in metres, bearings in degrees true.

    `track` leads from the last known position over the datum of each picture before to this one's. `drift_m` is the
    length of the drift, `drift_error_m` (De) and `total_probable_error_m` (E) its errors, `radius_m` that of the first
    search about the datum. `words` says it in a sentence.
    """

    at: datetime
    datum: Position
    track: tuple[Position, ...]
    drift_m: float
    drift_error_m: float
    total_probable_error_m: float
    radius_m: float
    words: str


def search_pictures(
    last: Fix,
    now: datetime,
    current: Current | None = None,
    wind: Wind | None = None,
    hours: int = 3,
    factors: SearchFactors = DEFAULT_FACTORS,
) -> tuple[Picture, ...]:
    """For now, and for each of the next hours, at most 24 of them; current and wind are taken to stay as they are.

    Without a current the datum moves with the wind only, or stays, and the error grows by an assumed one. A last
    known position that is ahead of `now`, as far as clocks differ, has not drifted yet.
    """
    east_m_s, north_m_s = drift_m_s(current, wind, factors)
    pictures: list[Picture] = []
    track = [last.position]
    for hour in range(min(max(hours, 0), MOST_HOURS) + 1):
        at = now + hour * _HOUR
        seconds = max(0.0, (at - last.at).total_seconds())
        datum = from_local_metres(last.position, east_m_s * seconds, north_m_s * seconds) if seconds else last.position
        track.append(datum)
        drifted_m = math.hypot(east_m_s, north_m_s) * seconds
        error_m = drift_error_m(drifted_m, seconds, current, wind, factors)
        position_error_m = max(factors.position_error_m, last.accuracy_m or 0.0)
        total_m = total_probable_error(position_error_m, factors.craft_error_m, error_m)
        radius_m = factors.first_search_factor * total_m
        words = _words(last.position, datum, drifted_m, radius_m)
        pictures.append(Picture(at, datum, tuple(track), drifted_m, error_m, total_m, radius_m, words))
    return tuple(pictures)


def search_notes(
    last: Fix,
    pictures: Sequence[Picture],
    current: Current | None,
    wind: Wind | None,
    tides: Sequence[TidalExtreme],
    zone: str,
    factors: SearchFactors = DEFAULT_FACTORS,
    *,
    current_source: str = "",
    wind_source: str = "",
) -> tuple[str, ...]:
    """What must be read with the pictures, in sentences, the caution first.

    `zone` is the site's IANA zone. `current_source` and `wind_source` say whose word they are, and of when.
    """
    found = [CAUTION, _water(current, current_source, factors), _air(wind, wind_source)]
    found.append(
        "A diver under water has no leeway and drifts with the current at that depth."
        " How far they swam is not in it, nor what keeps them: kelp, rock, a line."
    )
    found.append("The drift knows no shore: where the datum lies on land, begin along the shore before it.")
    now, until = (pictures[0].at, pictures[-1].at) if pictures else (last.at, last.at)
    found += [
        f"{'High' if tide.high else 'Low'} water at {say(tide.at, zone, now)}: the current may turn about then,"
        " and the drift takes it to run on as given."
        for tide in tides
        if last.at <= tide.at <= until
    ]
    return tuple(found)


def drift_m_s(
    current: Current | None, wind: Wind | None, factors: SearchFactors = DEFAULT_FACTORS
) -> tuple[float, float]:
    """East and north, in metres a second: the current, and the leeway straight down the wind."""
    parts = []
    if current is not None:
        parts.append((current.set_deg, current.drift_kn * KNOT_M_S))
    if wind is not None:
        parts.append((wind.from_deg + 180, wind.speed_kn * KNOT_M_S * factors.leeway_downwind_share))
    return (
        math.fsum(speed * math.sin(math.radians(towards)) for towards, speed in parts),
        math.fsum(speed * math.cos(math.radians(towards)) for towards, speed in parts),
    )


def drift_error_m(
    drifted_m: float,
    seconds: float,
    current: Current | None,
    wind: Wind | None,
    factors: SearchFactors = DEFAULT_FACTORS,
) -> float:
    """The drift error De in metres: a share of the drift, the leeway to either side, and the current not known."""
    across_m_s = 0.0 if wind is None else wind.speed_kn * KNOT_M_S * factors.leeway_crosswind_share
    unknown_m_s = factors.unknown_current_kn * KNOT_M_S if current is None else 0.0
    return factors.drift_error_share * drifted_m + (across_m_s + unknown_m_s) * seconds


def total_probable_error(position_error: float, craft_error: float, drift_error: float) -> float:
    """E, the root of the sum of the squares of X, Y and De, all in one unit of length.

    National SAR Manual 1991, section 521; the formula from memory.
    """
    return math.hypot(position_error, craft_error, drift_error)


def metres_and_miles(metres: float) -> str:
    """A distance for both, those ashore and those at sea: "740 m (0.40 NM)"."""
    return f"{round(metres, -1 if metres >= 100 else 0):.0f} m ({metres / NAUTICAL_MILE_M:.2f} NM)"  # noqa: PLR2004


def _words(last: Position, datum: Position, drifted_m: float, radius_m: float) -> str:
    radius = f"first search radius {metres_and_miles(radius_m)}"
    if drifted_m < 1:
        return f"Datum {decimal(datum)}, the last known position; {radius}."
    towards = bearing_deg(last, datum)
    way = f"{round(towards) % 360:03d} degrees true ({compass_point(towards)})"
    return f"Datum {decimal(datum)}, drifted {metres_and_miles(drifted_m)} towards {way}; {radius}."


def _water(current: Current | None, source: str, factors: SearchFactors) -> str:
    if current is None:
        return (
            "No current is known. None moves the datum, and the radius grows as if one of"
            f" {factors.unknown_current_kn:g} kn ran to any side. Ask somebody who sees the water."
        )
    set_and_drift = f"Current {current.drift_kn:g} kn setting {current.set_deg:03.0f} degrees true"
    return ", ".join(part for part in (set_and_drift, source, "taken to run on as it is.") if part)


def _air(wind: Wind | None, source: str) -> str:
    if wind is None:
        return "No wind is known, so no leeway is in it."
    blows = f"Wind {wind.speed_kn:g} kn from {wind.from_deg:03.0f} degrees true{f', {source}' if source else ''}"
    return f"{blows}: leeway of a person at the surface, state unknown."
