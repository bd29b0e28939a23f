"""Positions as we write them, in every form."""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from service.domain.encoding import is_gsm7
from service.domain.place import writing
from service.domain.place.geodesy import distance_m
from service.domain.place.national_grid import from_grid
from service.domain.place.position import Position, PositionError
from service.domain.place.reading import read_place

SLIP = Position(47.12345, -20.54321)

# From the place to the farthest that rounds to it or shares its square: half a step of each angle at the equator, or
# half a diagonal, with some centimetres for the series of the widest UTM zones.
FORMS = {
    "decimal": (writing.decimal, 0.79),
    "degrees and minutes": (writing.degrees_minutes, 1.32),
    "degrees and minutes for a text": (writing.degrees_minutes_gsm, 1.32),
    "degrees, minutes and seconds": (writing.dms, 0.22),
    "UTM": (writing.utm, 0.8),
    "MGRS": (writing.mgrs, 0.8),
    "plus code": (writing.plus_code, 2.23),
    "geo:": (writing.geo_uri, 0.79),
    "ISO 6709": (writing.iso6709, 0.79),
}


@pytest.mark.parametrize(("write", "within_m"), FORMS.values(), ids=FORMS.keys())
@given(position=st.builds(Position, st.floats(-90, 90), st.floats(-180, 180)))
@example(position=Position(90, 0))
@example(position=Position(-90, -180))
@example(position=Position(84, 180))
@example(position=Position(-80, 179.9999999))
@example(position=Position(-0.0000001, -0.0000001))
@example(position=Position(47.999999999, -20.999999999))
@example(position=Position(71.999999999, 5.999999999))
@example(position=Position(35.5, 20.5))
@example(position=Position(-55.5, 20.5))
def test_what_is_written_is_read_as_the_same_place(
    write: Callable[[Position], str | None], within_m: float, position: Position
) -> None:
    """To the precision of the form, all over the globe, poles and date line included."""
    written = write(position)
    if written is None:
        assert write is writing.utm
        assert not -80 <= position.lat <= 84
        return

    reading = read_place(written)

    assert reading is not None
    assert distance_m(reading.position, position) <= within_m


@pytest.mark.parametrize(
    ("position", "words"),
    [
        (SLIP, "47°07.407'N 020°32.593'W"),
        (Position(-0.00001, 0.0), "00°00.001'S 000°00.000'E"),
        (Position(-0.000001, -0.000001), "00°00.000'N 000°00.000'E"),
        (Position(59.999_999_9, 179.999_999_9), "60°00.000'N 180°00.000'E"),
        (Position(-90, -180), "90°00.000'S 180°00.000'W"),
        (Position(9.99999, 9.5), "09°59.999'N 009°30.000'E"),
    ],
)
def test_degrees_and_minutes_carry_and_keep_their_digits(position: Position, words: str) -> None:
    """Nothing is 60 minutes, and a nought is north and east."""
    assert writing.degrees_minutes(position) == words
    assert writing.degrees_minutes_gsm(position) == words.replace("°", " ").replace("'", "")


def test_degrees_and_minutes_for_a_text_are_in_its_alphabet() -> None:
    """The degree sign would make a text of 70 characters of it."""
    assert is_gsm7(writing.degrees_minutes_gsm(SLIP))
    assert not is_gsm7(writing.degrees_minutes(SLIP))


@pytest.mark.parametrize(
    ("position", "words"),
    [
        (SLIP, "47°07\u203224.42\u2033N 20°32\u203235.56\u2033W"),
        (Position(59.999_999_9, -179.999_999_9), "60°00\u203200.00\u2033N 180°00\u203200.00\u2033W"),
        (Position(-0.000_000_1, -0.000_000_1), "0°00\u203200.00\u2033N 0°00\u203200.00\u2033E"),
        (Position(-1 / 3600, 1 / 60), "0°00\u203201.00\u2033S 0°01\u203200.00\u2033E"),
    ],
)
def test_degrees_minutes_and_seconds_carry(position: Position, words: str) -> None:
    """Nothing is 60 seconds."""
    assert writing.dms(position) == words


def test_whole_minutes_and_seconds_have_no_point() -> None:
    """No places, no point."""
    assert writing.degrees_minutes(SLIP, places=0) == "47°07'N 020°33'W"
    assert writing.dms(SLIP, places=0) == "47°07\u203224\u2033N 20°32\u203236\u2033W"


@pytest.mark.parametrize(
    ("position", "words"),
    [
        (SLIP, "27 north 534648 5218984"),
        (Position(-47.12345, -20.54321), "27 south 534648 4781016"),
        (Position(0, 0), "31 north 166021 0000000"),
        (Position(-0.000_000_01, 0), "31 south 166021 10000000"),
        (Position(84.1, 0), None),
    ],
)
def test_utm_has_its_hemisphere_in_words(position: Position, words: str | None) -> None:
    """N and S alone would be bands as well."""
    assert writing.utm(position) == words


def test_codes_and_references_are_cut_to_the_length_asked_for() -> None:
    """Longer is finer."""
    assert writing.mgrs(SLIP) == "27T WN 34647 18984"
    assert writing.mgrs(SLIP, 6) == "27T WN 346 189"
    assert writing.plus_code(SLIP, 10) == writing.plus_code(SLIP)[:-1]
    assert len(writing.plus_code(SLIP)) == len("89VX4FF4+9P2")


def test_the_national_grid_is_written_where_it_has_a_value() -> None:
    """And nowhere else."""
    tower = from_grid(651_409.5, 313_177.5)

    assert writing.national_grid(tower) == "TG 51409 13177"
    assert writing.national_grid(tower, 6) == "TG 514 131"
    assert writing.national_grid(SLIP) is None


@pytest.mark.parametrize(
    ("accuracy_m", "words"), [(None, ""), (35, ";u=35"), (35.2, ";u=36"), (0, ";u=0"), (1e-9, ";u=1")]
)
def test_a_geo_address_has_its_uncertainty_rounded_up(accuracy_m: float | None, words: str) -> None:
    """Never better than it is."""
    assert writing.geo_uri(SLIP, accuracy_m) == f"geo:47.12345,-20.54321{words}"


@given(st.floats(0, 1e9))
def test_the_uncertainty_of_a_geo_address_is_read_back(accuracy_m: float) -> None:
    """To the metre above."""
    reading = read_place(writing.geo_uri(SLIP, accuracy_m))

    assert reading is not None
    assert reading.accuracy_m == math.ceil(accuracy_m)


@pytest.mark.parametrize("accuracy_m", [-1, math.nan, math.inf])
def test_an_uncertainty_that_is_none_is_refused(accuracy_m: float) -> None:
    """It is a number of metres."""
    with pytest.raises(PositionError, match="an accuracy is a number of metres"):
        writing.geo_uri(SLIP, accuracy_m)


@pytest.mark.parametrize(
    ("position", "words"),
    [
        (SLIP, "+47.12345-020.54321/"),
        (Position(-0.000_001, -0.000_001), "+00.00000+000.00000/"),
        (Position(-9.999_999, 9.999_999), "-10.00000+010.00000/"),
        (Position(90, 180), "+90.00000+180.00000/"),
    ],
)
def test_iso_6709_has_a_sign_and_all_its_digits(position: Position, words: str) -> None:
    """Nought has a plus."""
    assert writing.iso6709(position) == words
