"""Tides from the high and low waters that a club enters or imports, and when a point can be used.

Between two of them the height is interpolated, by one of two usual ways, each named as what it is: the half-sine (also
called cosine) curve, and the rule of twelfths (1, 2, 3, 3, 2 and 1 twelfths of the range in the six parts of a rise or
fall; Practical Boat Owner, glossary). Both take the tide for a smooth rise and fall. Double high waters, stands,
surge, wind and air pressure are not in them: half a metre off is nothing unusual (common practice, no source).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum
from itertools import pairwise

LOWEST_M = -5
HIGHEST_M = 20
MOST_HOURS = 12

KNOWN_GAP = timedelta(hours=14)
"""Between a high and the next low water. One tide a day leaves twelve to thirteen hours; a lost pair leaves more."""

_TWELFTHS = (0, 1, 3, 6, 9, 11, 12)
_PARTS = len(_TWELFTHS) - 1
_HOUR = timedelta(hours=1)


class TideError(ValueError):
    """A tide window that cannot be; the message says what to put right."""


@dataclass(frozen=True, slots=True)
class TidalExtreme:
    """One high or low water: its UTC instant, and its height in metres above chart datum."""

    at: datetime
    height_m: float
    high: bool


@dataclass(frozen=True, slots=True)
class TideWindow:
    """When a point can be used: between two heights, or from so many hours before high water to so many after it.

    None means no bound on that side; all bounds given hold together. Heights are metres above chart datum. Raises
    TideError for bounds that no tide can meet.
    """

    min_height_m: float | None = None
    max_height_m: float | None = None
    before_high_h: float | None = None
    after_high_h: float | None = None

    def __post_init__(self) -> None:
        """Refuse what no tide does."""
        for height_m in (self.min_height_m, self.max_height_m):
            if height_m is not None and not LOWEST_M <= height_m <= HIGHEST_M:
                raise TideError(f"give a tide height in metres above chart datum, from {LOWEST_M} to {HIGHEST_M}")
        for hours in (self.before_high_h, self.after_high_h):
            if hours is not None and not 0 <= hours <= MOST_HOURS:
                raise TideError(f"give the hours before and after high water as numbers from 0 to {MOST_HOURS}")
        lower, upper = self.min_height_m, self.max_height_m
        if lower is not None and upper is not None and lower > upper:
            raise TideError("the lower height of the tide window is above its upper one")


class Method(StrEnum):
    """How a height between two extremes is found."""

    HALF_SINE = "half-sine"
    TWELFTHS = "rule of twelfths"


def check_extremes(extremes: Sequence[TidalExtreme]) -> tuple[str, ...]:
    """What is wrong with a list of high and low waters, in sentences; empty for a good one.

    Days may be left out: stretches without data are no fault, and no height is given in them (see `gaps`).
    """
    naive = [f"The tide at {e.at:%Y-%m-%d %H:%M} has no time zone." for e in extremes if e.at.utcoffset() is None]
    if naive:
        return tuple(naive)  # without a zone nothing can be compared
    found = [
        f"The height at {_when(e)} must be a number of metres from {LOWEST_M} to {HIGHEST_M}."
        for e in extremes
        if not LOWEST_M <= e.height_m <= HIGHEST_M
    ]
    return tuple(found + [fault for one, two in pairwise(extremes) for fault in _faults_of_pair(one, two)])


def gaps(extremes: Sequence[TidalExtreme]) -> tuple[tuple[datetime, datetime], ...]:
    """The stretches inside a good list for which it gives no height, each from one instant to another."""
    return tuple((one.at, two.at) for one, two in pairwise(extremes) if two.at - one.at > KNOWN_GAP)


def height_at(extremes: Sequence[TidalExtreme], at: datetime, method: Method = Method.HALF_SINE) -> float | None:
    """The height of tide in metres above chart datum; None where a good list has no data around that time."""
    around = _around(extremes, at)
    if around is None:
        return None
    one, two = around
    part = (at - one.at) / (two.at - one.at)
    return one.height_m + (two.height_m - one.height_m) * _share(part, method)


def is_rising(extremes: Sequence[TidalExtreme], at: datetime) -> bool | None:
    """Whether the tide rises; None where a good list has no data around that time. At an extreme: what follows it."""
    around = _around(extremes, at)
    return None if around is None else around[1].high


def nearest_high(extremes: Sequence[TidalExtreme], at: datetime) -> TidalExtreme | None:
    """The high water nearest in time; None where a good list has no data around that time."""
    if _around(extremes, at) is None:
        return None
    return min((e for e in extremes if e.high), key=lambda high: abs(high.at - at))


def is_open(window: TideWindow, extremes: Sequence[TidalExtreme], at: datetime) -> bool | None:
    """Whether a point can be used at a time; None where it depends on a tide that a good list has no data for.

    Heights are by half-sine, hours are counted from the nearest high water: with no bound on one side, that side
    reaches to low water.
    """
    if window == TideWindow():
        return True
    height_m, high = height_at(extremes, at), nearest_high(extremes, at)
    if height_m is None or high is None:
        return None
    hours = (at - high.at) / _HOUR
    return all(
        (
            window.min_height_m is None or height_m >= window.min_height_m,
            window.max_height_m is None or height_m <= window.max_height_m,
            window.before_high_h is None or hours >= -window.before_high_h,
            window.after_high_h is None or hours <= window.after_high_h,
        )
    )


def _around(extremes: Iterable[TidalExtreme], at: datetime) -> tuple[TidalExtreme, TidalExtreme] | None:
    """The two neighbours in time between which `at` lies; the later pair where it is an extreme of both."""
    pairs = [(one, two) for one, two in pairwise(extremes) if one.at <= at <= two.at and two.at - one.at <= KNOWN_GAP]
    return pairs[-1] if pairs else None


def _share(part: float, method: Method) -> float:
    """The share of the range that is done after a part (0 to 1) of the time between two extremes."""
    if method is Method.HALF_SINE:
        return (1 - math.cos(math.pi * part)) / 2
    whole = min(int(part * _PARTS), _PARTS - 1)
    step = _TWELFTHS[whole + 1] - _TWELFTHS[whole]
    return (_TWELFTHS[whole] + step * (part * _PARTS - whole)) / _TWELFTHS[-1]


def _faults_of_pair(one: TidalExtreme, two: TidalExtreme) -> list[str]:
    if two.at <= one.at:
        return [f"{_when(two)} comes after {_when(one)} in the list. Give high and low waters in the order of time."]
    if two.at - one.at > KNOWN_GAP:
        return []
    if one.high == two.high:
        kind, other = ("high", "low") if one.high else ("low", "high")
        return [f"Two {kind} waters follow each other, {_when(one)} and {_when(two)}. Give the {other} water between."]
    high, low = (one, two) if one.high else (two, one)
    if low.height_m >= high.height_m:
        return [f"The low water of {_when(low)} is not below the high water of {_when(high)}."]
    return []


def _when(extreme: TidalExtreme) -> str:
    return f"{extreme.at:%Y-%m-%d %H:%M %Z}"
