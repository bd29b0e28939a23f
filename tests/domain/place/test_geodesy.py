"""Distances, bearings and drawing coordinates."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.geodesy import (
    COMPASS_POINTS,
    bearing_deg,
    compass_point,
    destination,
    distance_m,
    from_local_metres,
    local_metres,
    normal_longitude,
)
from service.domain.place.position import Position, PositionError

SLIP = Position(47.12345, -20.54321)
POSITIONS = st.builds(Position, st.floats(-90, 90), st.floats(-180, 180))


@given(POSITIONS, st.floats(0, 359.999), st.floats(1, 1_000_000))
def test_who_goes_somewhere_has_gone_that_far(start: Position, bearing: float, metres: float) -> None:
    """A destination is as far away as one went, over poles and date line too."""
    there = destination(start, bearing, metres)

    assert -180 <= there.lon < 180
    assert distance_m(start, there) == pytest.approx(metres, abs=1e-4)


@given(st.floats(-80, 80), st.floats(-180, 180), st.floats(0, 359.999), st.floats(10, 100_000))
def test_the_bearing_of_a_destination_is_the_one_that_was_taken(
    lat: float, lon: float, bearing: float, metres: float
) -> None:
    """Away from the poles a bearing is read back, across the date line too."""
    start = Position(lat, lon)

    back = bearing_deg(start, destination(start, bearing, metres))

    assert 0 <= back < 360
    assert math.remainder(back - bearing, 360) == pytest.approx(0, abs=1e-4)


def test_a_bearing_a_hair_west_of_north_is_below_360() -> None:
    """Rounding never gives 360 degrees, which is 0."""
    assert 0 <= bearing_deg(Position(0, 0), Position(1, -1e-20)) < 360


def test_distance_across_the_date_line_is_the_short_way() -> None:
    """Two points on both sides of 180 degrees are neighbours."""
    assert distance_m(Position(0, 179.999), Position(0, -179.999)) == pytest.approx(222.639, abs=0.001)


@pytest.mark.parametrize("bad", [math.nan, math.inf])
def test_a_way_that_is_no_number_is_refused(bad: float) -> None:
    """A bearing or distance must be an ordinary number."""
    with pytest.raises(PositionError, match="ordinary numbers"):
        destination(SLIP, bad, 100)
    with pytest.raises(PositionError, match="ordinary numbers"):
        destination(SLIP, 100, bad)
    with pytest.raises(PositionError, match="ordinary numbers"):
        from_local_metres(SLIP, bad, bad)


@pytest.mark.parametrize(
    ("bearing", "east", "north"), [(0, 0, 300), (90, 300, 0), (180, 0, -300), (270, -300, 0), (45, 212.132, 212.132)]
)
def test_local_metres_are_east_and_north(bearing: float, east: float, north: float) -> None:
    """What lies east has a positive first number, what lies north a positive second."""
    assert local_metres(SLIP, destination(SLIP, bearing, 300)) == pytest.approx((east, north), abs=0.001)


def test_the_origin_of_a_drawing_is_at_zero() -> None:
    """The origin itself is no way off."""
    assert local_metres(SLIP, SLIP) == (0, 0)


@given(POSITIONS, st.floats(-50_000, 50_000), st.floats(-50_000, 50_000))
def test_local_metres_go_there_and_back(origin: Position, east: float, north: float) -> None:
    """The same metres give the same place, at the poles and the date line too."""
    there = from_local_metres(origin, east, north)

    assert distance_m(from_local_metres(origin, *local_metres(origin, there)), there) < 1e-4


@pytest.mark.parametrize(
    ("bearing", "point"),
    [(11.24, "N"), (11.25, "NNE"), (33.74, "NNE"), (33.75, "NE"), (348.74, "NNW"), (348.75, "N"), (360, "N")],
)
def test_a_bearing_is_the_nearest_wind(bearing: float, point: str) -> None:
    """Each of the sixteen winds has 22.5 degrees, with itself in the middle."""
    assert compass_point(bearing) == point


def test_every_wind_is_its_own() -> None:
    """The sixteen are in their order."""
    assert tuple(compass_point(22.5 * place) for place in range(16)) == COMPASS_POINTS


@pytest.mark.parametrize(
    ("lon", "normal"), [(0, 0), (180, -180), (-180, -180), (179.5, 179.5), (181, -179), (-181, 179), (540, -180)]
)
def test_a_meridian_has_one_number(lon: float, normal: float) -> None:
    """180 east is 180 west."""
    assert normal_longitude(lon) == normal
