"""The British National Grid. Its points are those of published tests, since it exists in one country only."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.geodesy import distance_m
from service.domain.place.national_grid import corner_of, from_grid, read_national_grid, to_grid, to_reference
from service.domain.place.position import Position, PositionError

TOWER = from_grid(651_409.5, 313_177.5)


@pytest.mark.parametrize("text", ["TG 51409 13177", "TG5140913177", "tg 5140913177", "TG51409 13177"])
def test_a_grid_reference_is_read_with_or_without_blanks(text: str) -> None:
    """Ten figures name the square of a metre, of which the middle is given."""
    reading = read_national_grid(text)

    assert reading is not None
    assert reading.position == TOWER
    assert reading.format == "British National Grid"
    assert reading.reading.endswith("(British National Grid TG 51409 13177, middle of a square of 1 m)")
    assert reading.accuracy_m == pytest.approx(0.7071, abs=1e-4)


@pytest.mark.parametrize(("text", "side"), [("TG 51 13", 1000), ("TG 514 131", 100), ("TG 5140 1317", 10)])
def test_fewer_figures_are_a_larger_square(text: str, side: int) -> None:
    """The accuracy is from the middle to a corner, and the place lies within."""
    reading = read_national_grid(text)

    assert reading is not None
    assert f"middle of a square of {side} m" in reading.reading
    assert reading.accuracy_m == pytest.approx(side * 0.70711, rel=1e-4)
    assert distance_m(reading.position, TOWER) <= side * 0.708


@pytest.mark.parametrize(
    "text",
    [
        "BNG 651409.5 313177.5",
        "bng: E651409.5 N313177.5",
        "OSGB36 651409.5E 313177.5N",
        "OS grid 651409.5 m E, 313177.5 m N",
        "British National Grid 651409.5, 313177.5",
        "national grid 651409.5 313177.5",
    ],
)
def test_metres_are_read_behind_the_name_of_their_grid(text: str) -> None:
    """They name a point."""
    reading = read_national_grid(text)

    assert reading is not None
    assert reading.position == TOWER
    assert reading.accuracy_m is None
    assert reading.reading.endswith("(British National Grid E 651409.5, N 313177.5)")


@pytest.mark.parametrize("text", ["E 651409 N 313177", "651409 E 313177 N", "651409mE, 313177mN"])
def test_metres_without_the_name_of_their_grid_are_refused(text: str) -> None:
    """They may be of the UTM grid as well."""
    with pytest.raises(PositionError, match="may be of several grids: write BNG before it"):
        read_national_grid(text)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("DQ 48251 11943", "DQ is no square of the British National Grid; a military grid reference has its zone"),
        ("OK 12 34", "OK is no square"),
        ("AA 12 34", "AA is no square"),
        ("TG 514 1317", "two halves of equal length"),
        ("TG 514 13", "two halves of equal length"),
        ("TG 51409", "two halves of equal length"),
        ("TG 514091 131771", "two halves of equal length"),
        ("TG 5 1", "is a square of 10 km: add figures"),
        ("TG 51", "is a square of 10 km: add figures"),
        ("JM 123 999", "outside the area of the British National Grid"),
        ("BNG 651409 1313177", "outside the area of the British National Grid"),
    ],
)
def test_a_grid_reference_that_cannot_be_is_refused(text: str, words: str) -> None:
    """The message says which part to look at."""
    with pytest.raises(PositionError, match=words):
        read_national_grid(text)


@pytest.mark.parametrize(
    "text", ["", "LANTERN", "482139", "482139 731905", "T 514 131", "47.1E 20.5N", "OUT 482139", "IN 482139"]
)
def test_what_is_no_grid_reference_is_none(text: str) -> None:
    """Codes and numbers without letters are left to others."""
    assert read_national_grid(text) is None


@pytest.mark.parametrize(
    "position",
    [Position(47.12345, -20.54321), Position(50.17, -7.98), Position(0, 0), Position(90, 0), Position(56, 12)],
)
def test_where_the_grid_has_no_value_there_is_no_reference(position: Position) -> None:
    """Nothing approximate stands in for it."""
    assert to_grid(position) is None
    assert to_reference(position) is None


GREAT_BRITAIN = st.builds(Position, st.floats(49.9, 60.8), st.floats(-7.4, 1.7))


@given(GREAT_BRITAIN, st.sampled_from([4, 6, 8, 10]))
def test_a_reference_names_the_square_that_holds_the_position(position: Position, digits: int) -> None:
    """Wherever the grid has a value, at each precision."""
    written = to_reference(position, digits)
    reading = read_national_grid(written) if written else None

    assert (reading is None) == (to_grid(position) is None)
    if reading:
        assert reading.accuracy_m is not None
        # The grid's scale differs from the ground's by 0.4 per mille, and the figures are kept to a millimetre.
        assert distance_m(reading.position, position) <= reading.accuracy_m * 1.001 + 0.002


def test_figures_are_cut_and_not_rounded() -> None:
    """A rounded reference would name the neighbour's square."""
    assert to_reference(from_grid(651_409.9, 313_177.9)) == "TG 51409 13177"
    assert to_reference(TOWER, 6) == "TG 514 131"
    assert to_reference(TOWER, 2) == "TG 5 1"
    assert to_reference(from_grid(400_005.5, 100_000.5)) == "SU 00005 00000"


@pytest.mark.parametrize("digits", [0, 1, 3, 12])
def test_a_reference_has_an_even_number_of_figures(digits: int) -> None:
    """Half of them east and half north."""
    with pytest.raises(ValueError, match="2, 4, 6, 8 or 10 figures"):
        to_reference(TOWER, digits)


@pytest.mark.parametrize(
    ("letters", "corner"),
    [("SV", (0, 0)), ("TG", (600_000, 300_000)), ("HP", (400_000, 1_200_000)), ("NN", (200_000, 700_000))],
)
def test_squares_are_lettered_from_the_false_origin(letters: str, corner: tuple[int, int]) -> None:
    """The corner of SV is nought."""
    assert corner_of(letters, "00") == corner
