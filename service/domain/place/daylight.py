"""Where the sun stands, when it rises and sets, and how long there is light to search by.

Own code rather than a package: against the same published times the one at hand is up to three minutes off in the far
north and gives another day's sunset near the date line (docs/cross-checks.md has the figures).

Sources: the sun's place by the low-accuracy method of J. Meeus, Astronomical Algorithms, 2nd ed., chapters 12
(sidereal time), 22 (obliquity) and 25 (solar co-ordinates, 0.01 degrees), which NOAA's solar calculator uses too. The
minute or so between universal and terrestrial time moves the sun by less than 0.001 degrees and is left out.
Rise and set are of the upper limb at sea level: 34' refraction and 16' semidiameter, so 0.833 degrees below the
horizon; civil twilight ends at 6 degrees below (both: US Naval Observatory, definitions of rise, set and twilight).

Limits: air that bends light otherwise than usual, cliffs, hills, cloud and fog are not in it. Below 60 degrees of
latitude the times are good to a minute; where the sun only grazes the horizon they are not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from enum import StrEnum
from functools import lru_cache

from service.domain.place.position import Position

RISE_AND_SET_DEG = -0.833
CIVIL_TWILIGHT_DEG = -6.0

_J2000 = datetime(2000, 1, 1, 12, tzinfo=UTC)
_DAYS_IN_A_CENTURY = 36525.0
_HALF_DAY = timedelta(hours=12)
_DEGREES_AN_HOUR = 15.0
_TURN_DEG = 360.0
_ROUNDS_TO_NOON = 3  # each cuts the error some hundredfold
_HALVINGS = 18  # of half a day: to a fifth of a second


class Polar(StrEnum):
    """A day on which the sun does not cross the horizon."""

    DAY = "polar day"
    NIGHT = "polar night"


@dataclass(frozen=True, slots=True)
class SunTimes:
    """Sun and civil twilight of one day, as UTC instants; None where it does not happen that day.

    `polar` says which it is where the sun stays up, or down, all that day.
    """

    civil_dawn_at: datetime | None
    sunrise_at: datetime | None
    sunset_at: datetime | None
    civil_dusk_at: datetime | None
    polar: Polar | None


class Phase(StrEnum):
    """How light it is: by the sun, by civil twilight, or not."""

    DAY = "day"
    TWILIGHT = "twilight"
    DARK = "dark"


@dataclass(frozen=True, slots=True)
class Light:
    """How light it is at one moment, and the next change of each kind within the coming day; None without one."""

    phase: Phase
    civil_dawn_at: datetime | None
    sunrise_at: datetime | None
    sunset_at: datetime | None
    civil_dusk_at: datetime | None

    @property
    def is_fading(self) -> bool:
        """Whether it is twilight and grows dark."""
        if self.phase is not Phase.TWILIGHT or self.civil_dusk_at is None:
            return False
        return self.sunrise_at is None or self.civil_dusk_at < self.sunrise_at


def sun_elevation_deg(position: Position, at: datetime) -> float:
    """The height of the sun's centre above the horizon in degrees, without refraction."""
    hour_angle, declination = _sun(position, at)
    lat = math.radians(position.lat)
    sine = math.sin(lat) * math.sin(declination) + math.cos(lat) * math.cos(declination) * math.cos(hour_angle)
    return math.degrees(math.asin(max(-1.0, min(1.0, sine))))


def solar_day(position: Position, at: datetime) -> date:
    """The date at a place by mean solar time: the calendar's own, but near the date line and at night."""
    return (at.astimezone(UTC) + timedelta(hours=position.lon / _DEGREES_AN_HOUR)).date()


@lru_cache(maxsize=512)  # the sites of a club, on the days around now: each plan and page asks for three of them
def sun_times(position: Position, day: date) -> SunTimes:
    """Sun and twilight from midnight to midnight of `day` by the sun at the place (see `solar_day`)."""
    noon = _noon(position, day)
    midnights = noon - _HALF_DAY, noon + _HALF_DAY
    morning, evening = (
        tuple(_crossing(position, midnight, noon, level) for level in (RISE_AND_SET_DEG, CIVIL_TWILIGHT_DEG))
        for midnight in midnights
    )
    return SunTimes(
        civil_dawn_at=morning[1],
        sunrise_at=morning[0],
        sunset_at=evening[0],
        civil_dusk_at=evening[1],
        polar=_polar(position, noon, midnights),
    )


def light_at(position: Position, at: datetime) -> Light:
    """How light it is at a moment, and what comes next."""
    today = solar_day(position, at)
    days = [sun_times(position, today + timedelta(days=offset)) for offset in (-1, 0, 1)]
    return Light(
        phase=_phase(sun_elevation_deg(position, at)),
        civil_dawn_at=_next(at, [day.civil_dawn_at for day in days]),
        sunrise_at=_next(at, [day.sunrise_at for day in days]),
        sunset_at=_next(at, [day.sunset_at for day in days]),
        civil_dusk_at=_next(at, [day.civil_dusk_at for day in days]),
    )


def _phase(elevation_deg: float) -> Phase:
    if elevation_deg >= RISE_AND_SET_DEG:
        return Phase.DAY
    return Phase.TWILIGHT if elevation_deg >= CIVIL_TWILIGHT_DEG else Phase.DARK


def _next(after: datetime, events: list[datetime | None]) -> datetime | None:
    return next((event for event in events if event is not None and event > after), None)


def _polar(position: Position, noon: datetime, midnights: tuple[datetime, datetime]) -> Polar | None:
    if sun_elevation_deg(position, noon) < RISE_AND_SET_DEG:
        return Polar.NIGHT
    if all(sun_elevation_deg(position, midnight) >= RISE_AND_SET_DEG for midnight in midnights):
        return Polar.DAY
    return None


def _noon(position: Position, day: date) -> datetime:
    """The moment at which the sun is highest over the place's meridian on `day`."""
    noon = datetime.combine(day, time(12), UTC) - timedelta(hours=position.lon / _DEGREES_AN_HOUR)
    for _ in range(_ROUNDS_TO_NOON):
        hour_angle, _declination = _sun(position, noon)
        noon -= timedelta(hours=math.degrees(hour_angle) / _DEGREES_AN_HOUR)
    return noon


def _crossing(position: Position, low_at: datetime, high_at: datetime, level_deg: float) -> datetime | None:
    """When between midnight (`low_at`) and noon, in either order, the sun crosses a height; None if it does not.

    By halving, which finds it also where the sun only just crosses.
    """
    if not sun_elevation_deg(position, low_at) < level_deg <= sun_elevation_deg(position, high_at):
        return None
    for _ in range(_HALVINGS):
        middle = low_at + (high_at - low_at) / 2
        if sun_elevation_deg(position, middle) < level_deg:
            low_at = middle
        else:
            high_at = middle
    return high_at


def _sun(position: Position, at: datetime) -> tuple[float, float]:
    """The sun's local hour angle (-pi to pi, noon 0) and declination, in radians."""
    days = (at - _J2000) / timedelta(days=1)
    century = days / _DAYS_IN_A_CENTURY
    longitude, obliquity = _apparent_longitude(century)
    declination = math.asin(math.sin(obliquity) * math.sin(longitude))
    ascension = math.atan2(math.cos(obliquity) * math.sin(longitude), math.cos(longitude))
    sidereal_deg = 280.46061837 + 360.98564736629 * days + 0.000387933 * century**2
    hour_angle_deg = math.remainder(sidereal_deg + position.lon - math.degrees(ascension), _TURN_DEG)
    return math.radians(hour_angle_deg), declination


def _apparent_longitude(century: float) -> tuple[float, float]:
    """The sun's apparent longitude and the corrected obliquity of the ecliptic, in radians."""
    mean_longitude = 280.46646 + century * (36000.76983 + century * 0.0003032)
    anomaly = math.radians(357.52911 + century * (35999.05029 - century * 0.0001537))
    centre = (
        (1.914602 - century * (0.004817 + century * 0.000014)) * math.sin(anomaly)
        + (0.019993 - century * 0.000101) * math.sin(2 * anomaly)
        + 0.000289 * math.sin(3 * anomaly)
    )
    node = math.radians(125.04 - 1934.136 * century)
    longitude = mean_longitude + centre - 0.00569 - 0.00478 * math.sin(node)
    obliquity = 23.439291 - century * (0.0130042 + century * (0.00000016 - century * 0.000000504))
    return math.radians(longitude), math.radians(obliquity + 0.00256 * math.cos(node))
