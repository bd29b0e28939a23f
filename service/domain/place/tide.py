"""Tides from the high and low waters that a club enters or imports, and when a point can be used."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime


@dataclass(frozen=True, slots=True)
class TidalExtreme:
    """One high or low water: its UTC instant, and its height in metres above chart datum."""

    at: datetime
    height_m: float
    high: bool


@dataclass(frozen=True, slots=True)
class TideWindow:
    """When a point can be used: between two heights, or from so many hours before high water to so many after it.

    None means no bound on that side. Heights are metres above chart datum.
    """

    min_height_m: float | None = None
    max_height_m: float | None = None
    before_high_h: float | None = None
    after_high_h: float | None = None
