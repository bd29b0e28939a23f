"""What the water and the wind do, as somebody on the spot sees it.

A current is named by where it goes and a wind by where it comes from: set and drift, and wind direction, in the usage
of the sea.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime

FASTEST_CURRENT_KN = 12
FASTEST_WIND_KN = 120
_FULL_CIRCLE_DEG = 360

NAUTICAL_MILE_M = 1852.0
KNOT_M_S = NAUTICAL_MILE_M / 3600


class ConditionsError(ValueError):
    """A current or a wind that cannot be; the message says what to give."""


@dataclass(frozen=True, slots=True)
class Current:
    """Set, in degrees true towards which it runs, and drift, its speed in knots. Raises ConditionsError."""

    set_deg: float
    drift_kn: float

    def __post_init__(self) -> None:
        """Refuse what no sea does."""
        _refuse_direction(self.set_deg)
        _refuse_speed(self.drift_kn, FASTEST_CURRENT_KN, "current")


@dataclass(frozen=True, slots=True)
class Wind:
    """Direction, in degrees true from which it blows, and speed in knots. Raises ConditionsError."""

    from_deg: float
    speed_kn: float

    def __post_init__(self) -> None:
        """Refuse what no wind does."""
        _refuse_direction(self.from_deg)
        _refuse_speed(self.speed_kn, FASTEST_WIND_KN, "wind")


@dataclass(frozen=True, slots=True)
class Conditions:
    """Current and wind, as seen at `at` by `by`. What was not said is None."""

    at: datetime
    by: str
    current: Current | None = None
    wind: Wind | None = None


def _refuse_direction(degrees: float) -> None:
    if not (math.isfinite(degrees) and 0 <= degrees <= _FULL_CIRCLE_DEG):
        raise ConditionsError("give a direction in degrees from 0 to 360: 0 is north, 90 east")


def _refuse_speed(knots: float, fastest: int, of: str) -> None:
    if not (math.isfinite(knots) and 0 <= knots <= fastest):
        raise ConditionsError(f"give the speed of the {of} in knots, from 0 to {fastest}")
