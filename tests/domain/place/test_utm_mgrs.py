"""UTM coordinates and military grid references."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.geodesy import distance_m
from service.domain.place.position import Position, PositionError
from service.domain.place.utm_mgrs import UtmPoint, from_utm, read_mgrs, read_utm, to_mgrs, to_utm

SLIP = Position(47.12345, -20.54321)

POSITIONS = st.builds(Position, st.floats(-90, 90), st.floats(-180, 180))


@pytest.mark.parametrize(
    "text",
    [
        "27 N 534648 5218984",
        "27N 534648 5218984",
        "27T 534648 5218984",
        "27t 534648, 5218984",
        "27 north 534648 5218984",
        "UTM 27 north 534648 5218984",
        "utm: 27T 534648 5218984",
        "zone 27 T 534648.0 5218984.00",
        "27T 534648E 5218984N",
        "27T 534648 mE 5218984 mN",
        "27T E534648 N5218984",
    ],
)
def test_utm_is_read_in_every_usual_form(text: str) -> None:
    """Band or hemisphere, with or without unit, letters and label."""
    reading = read_utm(text)

    assert reading is not None
    assert distance_m(reading.position, SLIP) < 1
    assert reading.format == "UTM"
    assert reading.reading.endswith("W (UTM zone 27 north, 534648 E, 5218984 N)")


@pytest.mark.parametrize("text", ["27 south 534648 4781016", "27 S 534648 4781016", "27G 534648 4781016"])
def test_the_south_is_read_by_word_by_letter_and_by_band(text: str) -> None:
    """S is south where band S is not possible."""
    reading = read_utm(text)

    assert reading is not None
    assert distance_m(reading.position, Position(-47.12345, -20.54321)) < 1


@pytest.mark.parametrize("northing", ["9500000", "9999999", "1200000", "3540000", "4430000"])
def test_south_is_read_as_far_as_it_goes(northing: str) -> None:
    """Also where north would be beyond the end of the grid, and just outside band S."""
    word, letter = read_utm(f"27 south 534648 {northing}"), read_utm(f"27 S 534648 {northing}")

    assert word is not None
    assert word == letter
    assert word.position.lat < 0


def test_an_s_that_may_be_band_or_hemisphere_is_refused_with_both_readings() -> None:
    """From 32 to 40 degrees north band S has northings that are also possible in the south."""
    with pytest.raises(PositionError, match="write the word north or south") as refused:
        read_utm("27 S 534648 3900000")

    assert "35.2" in str(refused.value)
    assert " S, " in str(refused.value)
    assert read_utm("27 south 534648 3900000") is not None
    assert read_utm("27 north 534648 3900000") is not None


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("27 534648 5218984", "UTM needs north or south"),
        ("UTM 27 534648 5218984", "UTM needs north or south"),
        ("27I 534648 5218984", "I is no UTM band"),
        ("27A 534648 5218984", "A is no UTM band"),
        ("27U 534648 5218984", "not in band U"),
        ("61 north 534648 5218984", "UTM zone number out of range"),
        ("27 north 099999 5218984", "UTM easting out of range"),
        ("27 north 534648 10000001", "UTM northing out of range"),
        ("27 north 999999 6618984", "UTM zone 27 does not reach"),
        ("27 north 500000 9500000", "UTM does not reach .*: look at the northing"),
        ("27 south 500000 0900000", "UTM does not reach .*: look at the northing"),
    ],
)
def test_utm_that_does_not_exist_or_is_half_said_is_refused(text: str, words: str) -> None:
    """The message says which part to look at."""
    with pytest.raises(PositionError, match=words):
        read_utm(text)


@pytest.mark.parametrize("text", ["", "27T", "27 T 12 34", "482139 731905", "27T 534648", "27T 53465 5218984"])
def test_what_is_no_utm_is_none(text: str) -> None:
    """An easting has six figures."""
    assert read_utm(text) is None


@given(st.builds(Position, st.floats(-80, 84), st.floats(-180, 180)))
def test_utm_goes_there_and_back(position: Position) -> None:
    """Within centimetres at the edges of the wide zones off Norway and Svalbard, and millimetres elsewhere."""
    point = to_utm(position)

    assert point is not None
    assert 1 <= point.zone <= 60
    assert distance_m(from_utm(point), position) < (0.06 if position.lat >= 56 else 0.01)


@pytest.mark.parametrize("lat", [84.0000001, 90, -80.0000001, -90])
def test_there_is_no_utm_near_the_poles(lat: float) -> None:
    """It ends at 84 north and 80 south."""
    assert to_utm(Position(lat, 0)) is None


@pytest.mark.parametrize(
    ("lat", "lon", "zone"), [(60, 5, 32), (60, 2.9, 31), (78, 8.9, 31), (78, 9, 33), (78, 21, 35), (78, 33, 37)]
)
def test_zones_are_wider_off_norway_and_svalbard(lat: float, lon: float, zone: int) -> None:
    """Zone 32 reaches west to 3 degrees east; from 72 north there is no zone 32, 34 or 36."""
    point = to_utm(Position(lat, lon))

    assert point is not None
    assert point.zone == zone


@pytest.mark.parametrize(("lon", "zone"), [(-180, 1), (180, 1), (179.999, 60)])
def test_the_date_line_is_the_edge_of_zone_1(lon: float, zone: int) -> None:
    """180 east is 180 west."""
    point = to_utm(Position(-10, lon))

    assert point is not None
    assert (point.zone, point.northern) == (zone, False)


@pytest.mark.parametrize(
    "text",
    [
        "27T WN 34647 18984",
        "27TWN3464718984",
        "27twn3464718984",
        "27T WN 3464718984",
        "27 T WN 34647 18984",
        "MGRS 27T WN 34647 18984",
        "mgrs: 27TWN 34647 18984",
    ],
)
def test_a_military_grid_reference_is_read_with_or_without_blanks(text: str) -> None:
    """It names the square of a metre, of which the middle is given."""
    reading = read_mgrs(text)

    assert reading is not None
    assert distance_m(reading.position, SLIP) < 1
    assert reading.format == "MGRS"
    assert reading.reading.endswith("(MGRS 27T WN 34647 18984, middle of a square of 1 m)")
    assert reading.accuracy_m == pytest.approx(0.7071, abs=1e-4)


@pytest.mark.parametrize(
    ("text", "side"), [("27TWN31", 10_000), ("27TWN3418", 1000), ("27TWN346189", 100), ("27TWN34641898", 10)]
)
def test_fewer_figures_are_a_larger_square(text: str, side: int) -> None:
    """The accuracy is from the middle to a corner, and the place lies within."""
    reading = read_mgrs(text)

    assert reading is not None
    assert f"middle of a square of {side} m" in reading.reading
    assert reading.accuracy_m == pytest.approx(side * 0.70711, rel=1e-4)
    assert distance_m(reading.position, SLIP) <= side * 0.708


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("27TWN", "27T WN is a square of 100 km: add its figures"),
        ("27TWN123", "two halves of equal length"),
        ("27TWN 123 4567", "two halves of equal length"),
        ("27TWN 12 34567", "two halves of equal length"),
        ("27TWN 1234567 12345", "two halves of equal length"),
        ("27TAA 12 34", "no military grid square"),
        ("27TWW 12 34", "no military grid square"),
        ("27SWN 12 34", "27S WN 12 34 is on no military grid square: look at its letters"),
        ("00TWN 12 34", "no military grid square"),
        ("27W SP 12 34", "no military grid square"),
        ("1X AZ 12 34", "no military grid square"),
        ("1X SE 12 34", "no military grid square"),
        ("61TWN 12 34", "no military grid square"),
        ("32X WN 12 34", "no military grid square"),
        ("MGRS Z TT 12 34", "no military grid square"),
    ],
)
def test_a_military_grid_reference_that_cannot_be_is_refused(text: str, words: str) -> None:
    """The message says which part to look at."""
    with pytest.raises(PositionError, match=words):
        read_mgrs(text)


@pytest.mark.parametrize("text", ["", "BAY", "ALL 12", "YES 123456", "27I EN 12 34", "27T 12 34", "OUT 482139"])
def test_what_is_no_military_grid_reference_is_none(text: str) -> None:
    """A word and a number are no reference near a pole."""
    assert read_mgrs(text) is None


def test_near_a_pole_a_reference_needs_its_label_or_its_figures() -> None:
    """Three letters and few figures look like a word and a count."""
    assert read_mgrs("ZAH 12 34") is None
    labelled, fine = read_mgrs("MGRS ZAH 12 34"), read_mgrs("Z AH 1234 5678")

    assert labelled is not None
    assert fine is not None
    assert distance_m(labelled.position, Position(90, 0)) < 100_000
    assert distance_m(fine.position, Position(90, 0)) < 100_000


@given(POSITIONS, st.sampled_from([2, 4, 6, 8, 10]))
def test_a_military_grid_reference_names_the_square_that_holds_the_position(position: Position, digits: int) -> None:
    """Anywhere on Earth, at each precision; the scale of the grids differs from the ground by less than one percent."""
    reading = read_mgrs(f"MGRS {to_mgrs(position, digits)}")

    assert reading is not None
    assert reading.accuracy_m is not None
    assert distance_m(reading.position, position) <= reading.accuracy_m * 1.01 + 0.1


@given(
    st.sampled_from([-79.9, -72, -40, -0.0, 0, 8, 56, 72, 83.9]),
    st.floats(-0.1, 0.1),
    st.sampled_from([-180, -174, 0, 3, 6, 9, 12, 21, 33, 42, 180]),
    st.floats(-0.1, 0.1),
    st.sampled_from([2, 4, 6, 8, 10]),
)
def test_squares_that_an_edge_of_band_or_zone_cuts_are_read(
    band: float, north: float, zone: float, east: float, digits: int
) -> None:
    """Their middle may lie beyond it."""
    position = Position(band + north, min(max(zone + east, -180), 180))

    reading = read_mgrs(f"MGRS {to_mgrs(position, digits)}")

    assert reading is not None
    assert reading.accuracy_m is not None
    assert distance_m(reading.position, position) <= reading.accuracy_m * 1.01 + 0.1


@pytest.mark.parametrize("south", [1e-6, 1.01e-7, 0.99e-7, 1e-10, 1e-300])
def test_a_hair_south_of_the_equator_is_on_a_square(south: float) -> None:
    """On that of the equator itself, or the one south of it."""
    reading = read_mgrs(to_mgrs(Position(-south, -20.54321)))

    assert reading is not None
    assert distance_m(reading.position, Position(0, -20.54321)) < 1


def test_figures_are_cut_and_not_rounded() -> None:
    """A rounded reference would name the neighbour's square."""
    assert to_mgrs(SLIP) == "27T WN 34647 18984"
    assert to_mgrs(SLIP, 8) == "27T WN 3464 1898"
    assert to_mgrs(SLIP, 2) == "27T WN 3 1"
    assert to_mgrs(Position(21.40981, -157.91608)).startswith("4Q FJ ")


@pytest.mark.parametrize("digits", [0, 1, 3, 12])
def test_a_reference_has_an_even_number_of_figures(digits: int) -> None:
    """Half of them east and half north."""
    with pytest.raises(ValueError, match="2, 4, 6, 8 or 10 figures"):
        to_mgrs(SLIP, digits)


def test_a_zone_that_is_none_is_refused() -> None:
    """There are sixty."""
    with pytest.raises(PositionError, match="zone number"):
        from_utm(UtmPoint(0, northern=True, easting_m=500_000, northing_m=5_000_000))
