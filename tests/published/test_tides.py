"""Heights of tide by the rule of twelfths against published examples.

Sources:
[1] Practical Boat Owner, glossary, "rule of twelfths": 1, 2, 3, 3, 2, 1 twelfths in the six tidal hours
[2] Wikipedia, "Rule of twelfths", worked example
[3] sailnet.com, thread on the speed of tidal currents: the hourly change of a tide of six feet
[4] nauticalive.com, rule of twelfths: high water 00:45 4.0 m, low water 05:52 0.5 m. The page's own twelfth of 0.33 m
    is wrong; 3.5 m over 12 is 0.2917 m
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from service.domain.place.tide import Method, TidalExtreme, height_at

START = datetime(2027, 6, 1, 12, tzinfo=UTC)
HOUR = timedelta(hours=1)


def tide(low_m: float, high_m: float) -> tuple[TidalExtreme, TidalExtreme]:
    """Low water at START and high water six hours later."""
    return TidalExtreme(START, low_m, high=False), TidalExtreme(START + 6 * HOUR, high_m, high=True)


def twelfths_m(extremes: tuple[TidalExtreme, ...], at: datetime) -> float:
    """The height by the rule, which must be known."""
    height_m = height_at(extremes, at, Method.TWELFTHS)
    assert height_m is not None
    return height_m


@pytest.mark.parametrize(("hours", "twelfths"), [(0, 0), (1, 1), (2, 3), (3, 6), (4, 9), (6, 12)])
def test_the_share_of_the_range_after_each_tidal_hour(hours: int, twelfths: int) -> None:
    """[1] A range of twelve metres rises by as many metres as there are twelfths; a fall is the same from above."""
    falling = TidalExtreme(START, 12, high=True), TidalExtreme(START + 6 * HOUR, 0, high=False)

    assert twelfths_m(tide(0, 12), START + hours * HOUR) == pytest.approx(twelfths, abs=1e-9)
    assert twelfths_m(falling, START + hours * HOUR) == pytest.approx(12 - twelfths, abs=1e-9)


def test_half_the_tide_stands_at_half_time() -> None:
    """[2] Low water of 2 m at 12:00, high water of 14 m: 8 m at 15:00."""
    assert twelfths_m(tide(2, 14), START + 3 * HOUR) == pytest.approx(8, abs=1e-9)


def test_the_hourly_change_of_a_tide_of_six_feet() -> None:
    """[3] 6, 12, 18, 18, 12 and 6 inches."""
    inches = [twelfths_m(tide(0, 72), START + hours * HOUR) for hours in range(7)]

    changes = [later - earlier for earlier, later in pairwise(inches)]
    assert changes == pytest.approx([6, 12, 18, 18, 12, 6], abs=1e-9)


def test_one_twelfth_of_a_real_range() -> None:
    """[4] In the first sixth of a fall of 3.5 m the water falls by 0.2917 m."""
    high, low = datetime(2027, 6, 1, 0, 45, tzinfo=UTC), datetime(2027, 6, 1, 5, 52, tzinfo=UTC)
    extremes = TidalExtreme(high, 4.0, high=True), TidalExtreme(low, 0.5, high=False)

    assert 4.0 - twelfths_m(extremes, high + (low - high) / 6) == pytest.approx(0.2917, abs=5e-5)
