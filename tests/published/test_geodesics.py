"""Distances, bearings and compass points against published values.

Sources:
[1] github.com/geographiclib/geographiclib-python, commit 045fa3d, geographiclib/test/test_geodesic.py (rows of C. F. F.
    Karney's test set, and its cases of short, equatorial and nearly antipodal lines)
[2] github.com/chrisveness/geodesy, commit 3e9fdd3, tests of the ellipsoidal geodesic and of compass points
[3] Geoscience Australia, GDA Technical Manual, worked example, as in [2]; its ellipsoid, GRS80, differs from WGS84 by a
    tenth of a millimetre
[4] lengths of a degree on WGS84, derived and computed with geographiclib 2.1
"""

from __future__ import annotations

import math

import pytest

from service.domain.place.geodesy import bearing_deg, compass_point, destination, distance_m
from service.domain.place.position import Position

LINES = [
    (35.60777, -139.44815, 111.098748430, -11.17491, -69.95921, 129.289270890, 8935244.560482),
    (55.52454, 106.05087, 22.020059881, 77.03196, -162.81766, 109.112041111, 4105086.171392),
    (-21.97856, 142.59065, -32.444568764, 41.84138, 98.56635, -41.843599514, 8394328.894658),
    (-41.22777, 122.32875, 14.285113402, -7.57291, 130.37946, 10.805303085, 3812686.035106),
    (-68.82867, -74.28391, 93.774347763, -50.63005, -8.36685, 34.655640854, 3956936.926064),
]


def off(bearing: float, expected: float) -> float:
    """Degrees between two bearings, the short way round."""
    return math.remainder(bearing - expected, 360)


def final_bearing(a: Position, b: Position) -> float:
    """The bearing with which one arrives: the way back, turned round."""
    return bearing_deg(b, a) + 180


@pytest.mark.parametrize(("lat1", "lon1", "azi1", "lat2", "lon2", "azi2", "s12"), LINES)
def test_long_lines(lat1: float, lon1: float, azi1: float, lat2: float, lon2: float, azi2: float, s12: float) -> None:
    """[1] To a micrometre, both bearings, there and back."""
    a, b = Position(lat1, lon1), Position(lat2, lon2)

    assert distance_m(a, b) == pytest.approx(s12, abs=1e-6)
    assert off(bearing_deg(a, b), azi1) == pytest.approx(0, abs=1e-9)
    assert off(final_bearing(a, b), azi2) == pytest.approx(0, abs=1e-9)
    assert distance_m(destination(a, azi1, s12), b) < 0.02


def test_a_line_of_which_the_figures_are_rounded() -> None:
    """[1] Across the North Atlantic."""
    a, b = Position(40.6, -73.8), Position(49.01666667, 2.55)

    assert distance_m(a, b) == pytest.approx(5_853_226, abs=0.5)
    assert bearing_deg(a, b) == pytest.approx(53.47022, abs=5e-6)
    assert final_bearing(a, b) % 360 == pytest.approx(111.59367, abs=5e-6)


def test_a_line_from_its_start_and_its_bearing() -> None:
    """[1] Where one arrives, and how."""
    a = Position(40.63972222, -73.77888889)

    b = destination(a, 53.5, 5_850_000)

    assert (b.lat, b.lon) == pytest.approx((49.01467, 2.56106), abs=5e-6)
    assert final_bearing(a, b) % 360 == pytest.approx(111.62947, abs=5e-6)


def test_nearly_antipodal_points() -> None:
    """[1] Here simpler methods find no answer."""
    a, b = Position(0, 0), Position(0, 179.5)

    assert distance_m(a, b) == pytest.approx(19_980_862, abs=0.5)
    assert bearing_deg(a, b) == pytest.approx(55.96650, abs=5e-6)
    assert final_bearing(a, b) % 360 == pytest.approx(124.03350, abs=5e-6)


def test_antipodal_points() -> None:
    """[1] The shortest way between opposite points of the equator goes over the pole."""
    a, b = Position(0, 0), Position(0, 180)

    assert distance_m(a, b) == pytest.approx(20_003_931, abs=0.5)
    assert bearing_deg(a, b) == pytest.approx(0, abs=5e-6)


def test_a_tiny_line() -> None:
    """[1] Seven centimetres are not lost."""
    assert distance_m(Position(36.493349428792, 0), Position(36.49334942879201, 0.0000008)) == pytest.approx(
        0.072, abs=0.0005
    )


def test_the_length_of_an_island() -> None:
    """[2] Land's End to John o'Groats."""
    a, b = Position(50.06632, -5.71475), Position(58.64402, -3.07009)

    assert distance_m(a, b) == pytest.approx(969_954.166, abs=0.001)
    assert bearing_deg(a, b) == pytest.approx(9.1418775, abs=1e-6)
    assert final_bearing(a, b) % 360 == pytest.approx(11.2972204, abs=1e-6)


def dms(degrees: float, minutes: float, seconds: float) -> float:
    """Degrees of degrees, minutes and seconds."""
    return degrees + minutes / 60 + seconds / 3600


def test_the_line_of_a_technical_manual() -> None:
    """[3] Flinders Peak to Buninyong."""
    a = Position(-dms(37, 57, 3.72030), dms(144, 25, 29.52440))
    b = Position(-dms(37, 39, 10.15610), dms(143, 55, 35.38390))

    assert distance_m(a, b) == pytest.approx(54_972.271, abs=0.001)
    assert bearing_deg(a, b) == pytest.approx(dms(306, 52, 5.37), abs=0.01 / 3600)
    assert bearing_deg(b, a) == pytest.approx(dms(127, 10, 25.07), abs=0.01 / 3600)


def test_the_length_of_a_degree() -> None:
    """[4] Of longitude on the equator, and of latitude from it."""
    assert distance_m(Position(0, 0), Position(0, 1)) == pytest.approx(111_319.491, abs=0.001)
    assert distance_m(Position(0, 0), Position(1, 0)) == pytest.approx(110_574.389, abs=0.001)


@pytest.mark.parametrize(("bearing", "point"), [(0, "N"), (24, "NNE"), (226, "SW"), (237, "WSW"), (359, "N")])
def test_compass_points(bearing: float, point: str) -> None:
    """[2] The nearest of sixteen winds."""
    assert compass_point(bearing) == point
