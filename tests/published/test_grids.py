"""UTM, military grid references and the British National Grid against published values.

Sources:
[1] github.com/chrisveness/geodesy, commit 3e9fdd3, tests of UTM and MGRS on WGS84
[2] DMA Technical Manual 8358.1, section 3-4, as in [1]
[3] Ordnance Survey, OSTN15/OSGM15 developer pack, test points from ETRS89 to the National Grid
[4] Ordnance Survey, A guide to coordinate systems in Great Britain, annexes C.1 and C.2 (Caister water tower)
[5] the lettering of the National Grid, as in the tests of [1]
"""

from __future__ import annotations

import pytest

from service.domain.place.geodesy import distance_m
from service.domain.place.national_grid import corner_of, from_grid, read_national_grid, to_grid
from service.domain.place.position import Position, PositionError
from service.domain.place.reading import read_place
from service.domain.place.utm_mgrs import UtmPoint, from_utm, read_mgrs, read_utm, to_mgrs, to_utm

UTM = [
    ((0, 0), (31, True, 166_021.443, 0.000), 0.001),
    ((48.8583, 2.2945), (31, True, 448_251.898, 5_411_943.794), 0.001),
    ((38.8977, -77.0365), (18, True, 323_394.296, 4_307_395.634), 0.001),
    ((60.39135, 5.3249), (32, True, 297_508.41, 6_700_645.30), 0.01),
]


@pytest.mark.parametrize(("place", "expected", "tolerance_m"), UTM)
def test_utm(place: tuple[float, float], expected: tuple[int, bool, float, float], tolerance_m: float) -> None:
    """[1] There and back, the zone off Norway included."""
    zone, northern, easting, northing = expected

    point = to_utm(Position(*place))

    assert point is not None
    assert (point.zone, point.northern) == (zone, northern)
    assert (point.easting_m, point.northing_m) == pytest.approx((easting, northing), abs=tolerance_m)
    assert distance_m(from_utm(UtmPoint(*expected)), Position(*place)) < 2 * tolerance_m + 0.005


@pytest.mark.parametrize(
    ("lat", "lon", "reference"),
    [
        (48.8583, 2.2945, "31UDQ4825111943"),
        (-33.857, 151.215, "56HLH3487352266"),
        (38.8977, -77.0365, "18SUJ2339407395"),
        (60.39135, 5.3249, "32VKN9750800645"),
    ],
)
def test_military_grid_references_are_cut(lat: float, lon: float, reference: str) -> None:
    """[1] Truncated, never rounded."""
    assert to_mgrs(Position(lat, lon)).replace(" ", "") == reference


@pytest.mark.parametrize(
    ("reference", "name", "side"),
    [
        ("4QFJ1234567890", "4Q FJ 12345 67890", 1),
        ("31UDQ4825111932", "31U DQ 48251 11932", 1),
    ],
)
def test_military_grid_references_are_read(reference: str, name: str, side: int) -> None:
    """[1], [2] Ten figures, and a zone of one digit."""
    reading = read_mgrs(reference)

    assert reading is not None
    assert f"(MGRS {name}, middle of a square of {side} m)" in reading.reading


@pytest.mark.parametrize(
    ("reference", "name"),
    [("18SUU80", "18S UU 8 0"), ("18SUU8401", "18S UU 84 01"), ("18SUU836014", "18S UU 836 014")],
)
def test_references_with_the_letters_of_an_older_ellipsoid_are_refused(reference: str, name: str) -> None:
    """[2] The manual's examples are on Clarke 1866; their figures part as it says, but WGS84 has no UU in band S."""
    with pytest.raises(PositionError, match=f"{name} is on no military grid square"):
        read_mgrs(reference)


def test_a_military_grid_reference_is_the_same_place_as_its_utm_coordinates() -> None:
    """[2] 31U DQ 48251 11932 is the square of 31 N 448251 5411932, at 48.8582 N 2.2945 E."""
    square, corner = read_mgrs("31UDQ4825111932"), read_utm("31 N 448251 5411932")

    assert square is not None
    assert corner is not None
    assert distance_m(square.position, corner.position) == pytest.approx(0.7071, abs=0.001)
    assert (square.position.lat, square.position.lon) == pytest.approx((48.8582, 2.2945), abs=5e-5)


TEST_POINTS = [
    (49.92226393730, -6.29977752014, 91492.146, 11318.804),
    (49.96006137820, -5.20304609998, 170370.718, 11572.405),
    (50.57563665000, -1.29782277240, 449816.371, 75335.861),
    (51.40078220140, -3.55128349240, 292184.870, 168003.465),
    (51.37447025550, 1.44454730409, 639821.835, 169565.858),
    (51.42754743020, -2.54407618349, 362269.991, 169978.690),
    (51.48936564950, -0.11992557180, 530624.974, 178388.464),
    (51.85890896400, -4.30852476960, 241124.584, 220332.641),
    (51.89436637350, 0.89724327012, 599445.590, 225722.826),
    (52.25529381630, -2.15458614387, 389544.190, 261912.153),
    (53.80021519630, -1.66379168242, 422242.186, 433818.701),
    (57.48625000720, -4.21926398555, 267056.768, 846176.972),
]


@pytest.mark.parametrize(("lat", "lon", "easting", "northing"), TEST_POINTS)
def test_the_national_grid_by_its_own_transformation(lat: float, lon: float, easting: float, northing: float) -> None:
    """[3] To a millimetre, there and back; the approximate shift would be up to 5 m off here."""
    assert to_grid(Position(lat, lon)) == pytest.approx((easting, northing), abs=0.001)
    assert distance_m(from_grid(easting, northing), Position(lat, lon)) < 0.002


def test_the_national_grid_agrees_with_the_approximate_shift_to_what_that_is_good_for() -> None:
    """[4] The guide's point, moved to WGS84 by seven parameters, is within 5 m."""
    approximate = Position(52 + 39 / 60 + 28.723 / 3600, 1 + 42 / 60 + 57.787 / 3600)

    assert distance_m(from_grid(651_409.903, 313_177.270), approximate) < 5


@pytest.mark.parametrize(
    ("letters", "figures", "corner"),
    [
        ("TG", "5140913177", (651_409, 313_177)),
        ("NN", "166712", (216_600, 771_200)),
        ("NN", "126729", (212_600, 772_900)),
        ("SU", "2194045374", (421_940, 145_374)),
        ("SU", "387148", (438_700, 114_800)),
    ],
)
def test_the_corner_of_a_square(letters: str, figures: str, corner: tuple[int, int]) -> None:
    """[5] South-west; the position that we give is the middle, half a side from it each way."""
    half = len(figures) // 2
    side = 10 ** (5 - half)

    assert corner_of(letters, figures) == corner
    for text in (f"{letters} {figures[:half]} {figures[half:]}", f"{letters}{figures}"):
        reading = read_national_grid(text)
        assert reading is not None
        assert reading.position == from_grid(corner[0] + side / 2, corner[1] + side / 2)


@pytest.mark.parametrize("text", ["AA 1 2", "SV 1 20"])
def test_a_square_off_the_grid_and_uneven_figures_are_refused(text: str) -> None:
    """[5] Both halves have equally many figures."""
    with pytest.raises(PositionError):
        read_place(text)


@pytest.mark.parametrize("text", ["Cambridge", "TI 123 456", "IT 123 456"])
def test_a_name_and_the_letter_i_are_no_grid_reference(text: str) -> None:
    """[5] I is not in use."""
    assert read_place(text) is None
