"""Open Location Codes."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.place.geodesy import distance_m, normal_longitude
from service.domain.place.plus_code import LENGTHS, decode, encode, is_full, is_short, read_plus_code, recover
from service.domain.place.position import Position, PositionError

SLIP = Position(47.12345, -20.54321)
POSITIONS = st.builds(Position, st.floats(-90, 90), st.floats(-180, 180))


@given(POSITIONS, st.sampled_from(LENGTHS))
def test_a_code_names_the_cell_that_holds_the_position(position: Position, length: int) -> None:
    """Anywhere on Earth, at each length, and its middle has the same code."""
    code = encode(position, length)

    cell = decode(code)
    assert cell.south <= position.lat <= cell.north
    assert cell.west <= normal_longitude(position.lon) <= cell.east
    assert encode(cell.middle, length) == code
    assert distance_m(cell.middle, position) <= cell.accuracy_m + 1e-6


@given(POSITIONS, st.floats(-0.4, 0.4), st.floats(-0.4, 0.4), st.sampled_from([2, 4, 6]))
def test_a_short_code_is_found_again_near_where_it_was_cut(
    position: Position, north: float, east: float, missing: int
) -> None:
    """From anywhere less than half a cell of the cut digits away, across cell borders and the date line too."""
    step = 20.0 ** (2 - missing // 2)
    full = encode(position, 11)
    middle = decode(full).middle
    near = Position(min(max(middle.lat + north * step, -90), 90), normal_longitude(middle.lon + east * step))

    found = decode(recover(full[missing:], near)).middle

    assert (found.lat, found.lon) == pytest.approx((middle.lat, middle.lon), abs=1e-9)


@pytest.mark.parametrize("code", ["8C5R4FF4+9P", "8c5r4ff4+9p", "8C5R4FF4+", "8C5R0000+", "8C000000+", "8C5R4F00+"])
def test_a_full_code_is_told_by_its_plus_after_eight(code: str) -> None:
    """Small letters and zeros that fill up count."""
    assert is_full(code)
    assert not is_short(code)


@pytest.mark.parametrize("code", ["4FF4+9P", "FF+9PQ", "R4FF4+9P", "4+9P", "5R4F00+", "4FF4+9", "+9P"])
def test_a_short_code_has_two_four_or_six_digits_before_its_plus(code: str) -> None:
    """And none or at least two after it."""
    assert not is_full(code)
    assert is_short(code) == (code in ("4FF4+9P", "FF+9PQ"))


@pytest.mark.parametrize("length", [0, 1, 3, 9, 16])
def test_a_code_has_an_even_number_of_digits_up_to_ten(length: int) -> None:
    """Beyond ten each digit divides the cell."""
    with pytest.raises(ValueError, match="a plus code has 2, 4, 6, 8 or 10 to 15 digits"):
        encode(SLIP, length)


def test_a_full_code_is_read_as_the_middle_of_its_cell() -> None:
    """With the distance to its farthest corner as accuracy."""
    reading = read_plus_code(encode(SLIP, 10).lower(), None)

    assert reading is not None
    assert reading.format == "plus code"
    assert reading.accuracy_m == pytest.approx(8.4, abs=0.1)
    assert distance_m(reading.position, SLIP) < 8.5
    assert f"(plus code {encode(SLIP, 10)}, middle of a cell)" in reading.reading


def test_a_short_code_is_read_near_a_place() -> None:
    """The reading shows the full code that was meant."""
    full = encode(SLIP, 10)

    reading = read_plus_code(full[4:], Position(47.3, -20.3))

    assert reading is not None
    assert full in reading.reading


def test_a_short_code_without_a_place_near_it_is_refused() -> None:
    """It would mean any of many places."""
    with pytest.raises(PositionError, match=r"4FF4\+9P is a short plus code, which means nothing without a place"):
        read_plus_code("4ff4+9p", None)


@pytest.mark.parametrize(
    "text", ["8C5R4FF4+9", "8C5R4F0F+9P", "ABCDEFGH+23", "22222222+2A", "XX222222+22", "84900000+"]
)
def test_eight_characters_and_a_plus_that_are_no_code_are_refused(text: str) -> None:
    """The message says what a code is made of."""
    with pytest.raises(PositionError, match=f"{text[:8]}.* is no plus code: it has eight of"):
        read_plus_code(text, None)


@pytest.mark.parametrize("text", ["", "+15", "G+", "20 +15", "LATE+15", "+47.1-020.5/", "22222222222+22", "4FF4 +9P"])
def test_what_is_no_plus_code_is_none(text: str) -> None:
    """Neither full nor short."""
    assert read_plus_code(text, SLIP) is None


def test_only_a_short_code_can_be_found_near_a_place() -> None:
    """A full one needs none."""
    with pytest.raises(PositionError, match="no short plus code"):
        recover("8C5R4FF4+9P", SLIP)
