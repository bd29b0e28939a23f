"""Directions as people type them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.directions import read_direction
from service.domain.place.geodesy import COMPASS_POINTS, compass_point


@pytest.mark.parametrize(
    ("typed", "degrees"),
    [
        ("N", 0),
        ("ne", 45),
        ("SSW", 202.5),
        ("north-east", 45),
        ("North East", 45),
        ("north north west", 337.5),
        ("s.w.", 225),
        ("  W ", 270),
        ("045", 45),
        ("45", 45),
        ("45°", 45),
        ("45 degrees", 45),
        ("090 deg true", 90),
        ("90T", 90),
        ("12,5", 12.5),
        ("360", 360),
        ("999", 999),
    ],
)
def test_a_direction_is_read_by_letters_by_name_and_in_degrees(typed: str, degrees: float) -> None:
    """Case, hyphens, points and blanks do not matter."""
    assert read_direction(typed) == degrees


@pytest.mark.parametrize(
    "typed", ["", "up", "NEN", "north of the pier", "-45", "45 mag", "1234", "4e1", "\u0664\u0665°N"]
)
def test_what_is_no_direction_is_none(typed: str) -> None:
    """Nothing is guessed out of other words."""
    assert read_direction(typed) is None


@given(st.sampled_from(COMPASS_POINTS))
def test_every_wind_of_the_compass_is_read_back(point: str) -> None:
    """What we write we read."""
    degrees = read_direction(point)

    assert degrees is not None
    assert compass_point(degrees) == point
