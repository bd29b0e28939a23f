"""Tides between high and low waters, lists that cannot be, and windows of points."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.tide import (
    Method,
    TidalExtreme,
    TideError,
    TideWindow,
    check_extremes,
    gaps,
    height_at,
    is_open,
    is_rising,
    nearest_high,
)

START = datetime(2027, 6, 1, 3, tzinfo=UTC)
HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def low(hours: float, height_m: float = 1.0) -> TidalExtreme:
    """Low water so many hours after START."""
    return TidalExtreme(START + hours * HOUR, height_m, high=False)


def high(hours: float, height_m: float = 5.0) -> TidalExtreme:
    """High water so many hours after START."""
    return TidalExtreme(START + hours * HOUR, height_m, high=True)


DAY = (low(0), high(6), low(12), high(18))
TWO_DAYS = (*DAY, low(48), high(54))

ranges = st.tuples(st.floats(-5, 7), st.floats(7.001, 20), st.integers(30, 14 * 60), st.booleans())


def pair(figures: tuple[float, float, int, bool]) -> tuple[TidalExtreme, TidalExtreme]:
    """A rise or a fall of any height and length."""
    low_m, high_m, length_min, rises = figures
    heights = (low_m, high_m) if rises else (high_m, low_m)
    return (
        TidalExtreme(START, heights[0], high=not rises),
        TidalExtreme(START + length_min * MINUTE, heights[1], high=rises),
    )


def known(height_m: float | None) -> float:
    """A height that must be known."""
    assert height_m is not None
    return height_m


@given(ranges, st.sampled_from(Method))
def test_the_curve_meets_both_extremes(figures: tuple[float, float, int, bool], method: Method) -> None:
    """At high and low water the height is theirs, and half of the range at half time."""
    one, two = pair(figures)

    middle = one.at + (two.at - one.at) / 2
    heights = [known(height_at((one, two), at, method)) for at in (one.at, middle, two.at)]
    assert heights == pytest.approx([one.height_m, (one.height_m + two.height_m) / 2, two.height_m], abs=1e-9)


@given(ranges, st.sampled_from(Method), st.floats(0, 1), st.floats(0, 1))
def test_between_extremes_the_tide_only_rises_or_only_falls(
    figures: tuple[float, float, int, bool], method: Method, share: float, other: float
) -> None:
    """Later is higher on a rise and lower on a fall."""
    one, two = pair(figures)

    earlier, later = (one.at + (two.at - one.at) * part for part in sorted((share, other)))
    change = known(height_at((one, two), later, method)) - known(height_at((one, two), earlier, method))
    assert change >= -1e-9 if two.high else change <= 1e-9
    assert is_rising((one, two), later) is two.high


@given(ranges, st.floats(0, 1))
def test_the_two_methods_stay_close(figures: tuple[float, float, int, bool], share: float) -> None:
    """The rule of twelfths is a hand's version of the curve: they differ by less than three hundredths of the range."""
    one, two = pair(figures)

    at = one.at + (two.at - one.at) * share
    sine, twelfths = (known(height_at((one, two), at, method)) for method in Method)
    assert abs(sine - twelfths) <= abs(two.height_m - one.height_m) * 0.03


def test_the_height_is_by_half_sine_unless_asked_otherwise() -> None:
    """An hour after low water of 1 m, four metres of range: 1 + 4 x (1 - cos 30)/2."""
    assert height_at(DAY, START + HOUR) == pytest.approx(1 + 2 * (1 - math.cos(math.radians(30))), abs=1e-9)


@pytest.mark.parametrize("hours", [-0.1, 18.1, 30, 47.9, 54.1])
def test_where_there_is_no_data_nothing_is_known(hours: float) -> None:
    """Before the first, after the last, and between days that were left out."""
    at = START + hours * HOUR

    assert height_at(TWO_DAYS, at) is None
    assert is_rising(TWO_DAYS, at) is None
    assert nearest_high(TWO_DAYS, at) is None
    assert is_open(TideWindow(min_height_m=2), TWO_DAYS, at) is None
    assert height_at((), at) is None


@pytest.mark.parametrize(
    ("hours", "rises"), [(0, True), (3, True), (6, False), (9, False), (12, True), (18, True), (48, True)]
)
def test_the_tide_rises_to_high_water(hours: float, *, rises: bool) -> None:
    """From low to high it rises; at the turn what follows counts, and at the end of the data what went before."""
    assert is_rising(TWO_DAYS, START + hours * HOUR) is rises


@pytest.mark.parametrize(("hours", "nearest"), [(1, 6), (11.9, 6), (12.1, 18), (18, 18), (50, 54)])
def test_the_nearest_high_water_is_the_nearest_in_time(hours: float, nearest: float) -> None:
    """Either side of low water another one is."""
    assert nearest_high(TWO_DAYS, START + hours * HOUR) == high(nearest)


def test_gaps_are_where_no_height_is_given() -> None:
    """Days that were left out are listed from the last known tide to the next."""
    assert gaps(TWO_DAYS) == ((START + 18 * HOUR, START + 48 * HOUR),)
    assert gaps(DAY) == ()


def test_a_good_list_has_no_faults() -> None:
    """Also one with days left out, none at all, and one tide a day with twelve and a half hours between."""
    assert check_extremes(TWO_DAYS) == ()
    assert check_extremes(()) == ()
    assert check_extremes((low(0), high(12.4), low(24.8))) == ()


FAULTY = {
    "two highs": ((high(0), high(6)), "Two high waters follow each other"),
    "two lows": ((low(0), low(12)), "Two low waters follow each other"),
    "low above high": ((low(0, 5.1), high(6)), "low water of 2027-06-01 03:00 UTC is not below"),
    "high below low": ((high(0, 1.0), low(6)), "low water of 2027-06-01 09:00 UTC is not below"),
    "out of order": ((high(6), low(0)), "2027-06-01 03:00 UTC comes after 2027-06-01 09:00 UTC"),
    "the same time": ((high(6), low(6)), "in the order of time"),
    "too high": ((low(0), high(6, 20.1)), "number of metres from -5 to 20"),
    "too low": ((low(0, -5.1), high(6)), "number of metres from -5 to 20"),
    "no number": ((TidalExtreme(START, math.nan, high=True),), "2027-06-01 03:00 UTC must be a number"),
    "no zone": ((replace(low(0), at=START.replace(tzinfo=None)), high(6)), "2027-06-01 03:00 has no time zone"),
}


@pytest.mark.parametrize(("extremes", "words"), FAULTY.values(), ids=FAULTY)
def test_a_bad_list_is_told_by_its_place(extremes: tuple[TidalExtreme, ...], words: str) -> None:
    """One sentence names the tides that are wrong."""
    (fault,) = check_extremes(extremes)

    assert words in fault
    assert fault.endswith(".")


def test_a_lost_pair_leaves_no_height_rather_than_a_wrong_one() -> None:
    """With a high and a low water left out there are eighteen hours between, for which nothing is said."""
    holed = (low(0), high(18), low(24))

    assert check_extremes(holed) == ()
    assert height_at(holed, START + 9 * HOUR) is None


def test_every_fault_is_told_at_once() -> None:
    """Nobody mends one tide only to hear of the next."""
    assert len(check_extremes((low(0), low(6), high(12, 0.5), low(3)))) == 3


WINDOWS = {
    "no bound": (TideWindow(), 3, True),
    "above a height": (TideWindow(min_height_m=3), 3, True),
    "not above a height": (TideWindow(min_height_m=3.01), 3, False),
    "below a height": (TideWindow(max_height_m=3), 3, True),
    "not below a height": (TideWindow(max_height_m=2.99), 3, False),
    "between heights": (TideWindow(min_height_m=2, max_height_m=4), 3, True),
    "two hours before": (TideWindow(before_high_h=2), 4, True),
    "more than two hours before": (TideWindow(before_high_h=2), 3.9, False),
    "any time after": (TideWindow(before_high_h=2), 11, True),
    "three hours after": (TideWindow(after_high_h=3), 9, True),
    "more than three hours after": (TideWindow(after_high_h=3), 9.1, False),
    "any time before": (TideWindow(after_high_h=3), 0.5, True),
    "about the next high water": (TideWindow(before_high_h=2, after_high_h=3), 17, True),
    "hours hold but not the height": (TideWindow(min_height_m=4.9, before_high_h=2), 4, False),
}


@pytest.mark.parametrize(("window", "hours", "expected"), WINDOWS.values(), ids=WINDOWS)
def test_a_window_is_open_within_all_its_bounds(window: TideWindow, hours: float, *, expected: bool) -> None:
    """Heights and hours about high water, each at its edge."""
    assert is_open(window, DAY, START + hours * HOUR) is expected


def test_a_point_without_bounds_is_open_also_without_tides() -> None:
    """It depends on no tide, so none need be known."""
    assert is_open(TideWindow(), (), START) is True


@pytest.mark.parametrize(
    ("bounds", "words"),
    [
        ({"min_height_m": 20.1}, "tide height in metres"),
        ({"max_height_m": -5.1}, "tide height in metres"),
        ({"max_height_m": math.nan}, "tide height in metres"),
        ({"before_high_h": -1}, "hours before and after"),
        ({"after_high_h": 12.1}, "hours before and after"),
        ({"after_high_h": math.inf}, "hours before and after"),
        ({"min_height_m": 3, "max_height_m": 2}, "above its upper"),
    ],
)
def test_a_window_that_no_tide_meets_is_refused(bounds: dict[str, float], words: str) -> None:
    """The message says what to put right."""
    with pytest.raises(TideError, match=words):
        TideWindow(**bounds)
