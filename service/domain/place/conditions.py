"""What the water and the wind do, as somebody on the spot sees it.

A current is named by where it goes and a wind by where it comes from: set and drift, and wind direction, in the usage
of the sea.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
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
class Seen:
    """Whose word it is, and of when."""

    at: datetime
    by: str


@dataclass(frozen=True, slots=True)
class Conditions:
    """Current and wind; what was not said is None. `at` and `by` are of whoever said either of them last.

    `current_seen` and `wind_seen` are where each has its own; dives of before that was kept have none.
    """

    at: datetime
    by: str
    current: Current | None = None
    wind: Wind | None = None
    current_seen: Seen | None = None
    wind_seen: Seen | None = None

    @property
    def of_current(self) -> Seen:
        """Whose word the current is."""
        return self.current_seen or Seen(self.at, self.by)

    @property
    def of_wind(self) -> Seen:
        """Whose word the wind is."""
        return self.wind_seen or Seen(self.at, self.by)


def reported(
    before: Conditions | None, seen: Seen, current: Current | None, wind: Wind | None, *, apart: bool
) -> Conditions:
    """The conditions after somebody said what they see. What they do not say stays as it was, and whose word it was.

    Not `apart`: as it was kept before, when both had the name and time of whoever said either last.
    """
    after = Conditions(
        at=seen.at,
        by=seen.by,
        current=current or (before.current if before else None),
        wind=wind or (before.wind if before else None),
    )
    if not apart:
        return after
    return replace(
        after,
        current_seen=seen if current or before is None else before.of_current,
        wind_seen=seen if wind or before is None else before.of_wind,
    )


def _refuse_direction(degrees: float) -> None:
    if not (math.isfinite(degrees) and 0 <= degrees <= _FULL_CIRCLE_DEG):
        raise ConditionsError("give a direction in degrees from 0 to 360: 0 is north, 90 east")


def _refuse_speed(knots: float, fastest: int, of: str) -> None:
    if not (math.isfinite(knots) and 0 <= knots <= fastest):
        raise ConditionsError(f"give the speed of the {of} in knots, from 0 to {fastest}")
