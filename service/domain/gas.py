"""Gas as a diver gives it, and how long it lasts: a cross-check of a plan, no dive planning."""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import datetime, timedelta

_MOST_CYLINDER_L = 60
_MOST_FILL_BAR = 350
_LEAST_RATE_L_MIN = 5
_MOST_RATE_L_MIN = 100
_DEEPEST_M = 350

_METRES_PER_BAR = 10
"""Ten metres of sea water to one bar: the convention of the trade."""


class GasError(ValueError):
    """The gas as given cannot be; the message says what to put right."""


@dataclass(frozen=True, slots=True)
class GasPlan:
    """One diver's gas. Raises GasError where a figure is not plausible.

    `cylinder_l`: water capacity in litres, all cylinders together. `fill_bar`, `reserve_bar`: gauge pressures
    at the start and the end of the dive. `surface_rate_l_min`: litres breathed in a minute at the surface.
    """

    cylinder_l: float
    fill_bar: float
    reserve_bar: float
    surface_rate_l_min: float

    def __post_init__(self) -> None:
        """Refuse what no diver carries."""
        _refuse_unless(0 < self.cylinder_l <= _MOST_CYLINDER_L, f"cylinder size is litres, up to {_MOST_CYLINDER_L}")
        _refuse_unless(0 < self.fill_bar <= _MOST_FILL_BAR, f"fill pressure is bar, up to {_MOST_FILL_BAR}")
        _refuse_unless(0 <= self.reserve_bar < self.fill_bar, "reserve must be lower than the fill pressure")
        _refuse_unless(
            _LEAST_RATE_L_MIN <= self.surface_rate_l_min <= _MOST_RATE_L_MIN,
            f"surface rate is litres a minute, {_LEAST_RATE_L_MIN} to {_MOST_RATE_L_MIN}",
        )


@dataclass(frozen=True, slots=True)
class GasGone:
    """By when gas is used, were all of the dive at the planned depth: to the reserve, and to an empty cylinder.

    No deadline for a search: shallower, at the surface, or at rest the same gas lasts longer or is not needed.
    """

    to_reserve_at: datetime
    to_empty_at: datetime


def endurance(gas: GasPlan, depth_m: float) -> timedelta:
    """Return how long the gas above the reserve lasts if all of the dive were at this depth.

    Usable litres by (surface rate x ambient pressure): Boyle's law with one bar for each ten metres, as is
    usual practice. Raises GasError for an impossible depth.
    """
    return _lasts(gas, gas.fill_bar - gas.reserve_bar, depth_m)


def gas_gone_at(started_at: datetime, gas: GasPlan, depth_m: float) -> GasGone:
    """By when the gas is used, if all of the dive from `started_at` were at this depth (see `endurance`).

    Empty is counted to zero on the gauge, although a regulator gives out a little earlier. Raises GasError
    for an impossible depth.
    """
    return GasGone(
        to_reserve_at=started_at + endurance(gas, depth_m),
        to_empty_at=started_at + _lasts(gas, gas.fill_bar, depth_m),
    )


def _lasts(gas: GasPlan, used_bar: float, depth_m: float) -> timedelta:
    """How long so much of the pressure lasts at a depth."""
    _refuse_unless(math.isfinite(depth_m) and 0 <= depth_m <= _DEEPEST_M, f"depth is metres, from 0 to {_DEEPEST_M}")
    ambient_bar = 1 + depth_m / _METRES_PER_BAR
    return timedelta(minutes=gas.cylinder_l * used_bar / (gas.surface_rate_l_min * ambient_bar))


def _refuse_unless(plausible: bool, rule: str) -> None:  # noqa: FBT001 - reads as the sentence it is
    """Raise GasError with the rule that was broken. A NaN is never plausible."""
    if not plausible:
        raise GasError(rule)
