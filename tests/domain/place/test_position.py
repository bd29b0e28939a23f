"""Positions as people and phones write them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.encoding import is_gsm7
from service.domain.place.position import Position, PositionError, decimal
from service.domain.place.reading import read_position

LATITUDES = st.floats(-90, 90)
LONGITUDES = st.floats(-180, 180)


@pytest.mark.parametrize(
    "text",
    [
        "56.12345,-5.54321",
        "56.12345, -5.54321",
        "56.12345;-5.54321",
        "+56.12345 -5.54321",
        "56.12345 −5.54321",
        "56.12345N 5.54321W",
        "56.12345°N, 5.54321°W",
        "56.12345n5.54321w",
        "N56.12345 W5.54321",
        "n 56.12345, w 5.54321",
        "5.54321W 56.12345N",
        "56.12345 north 5.54321 west",
        "56.12345° -5.54321°",
        "geo:56.12345,-5.54321",
        "GEO:56.12345,-5.54321,12;crs=WGS84;u=35;note",
        "56,12345 -5,54321",
        "56,12345; -5,54321",
        "56,12345, -5,54321",
        "56,12345N 5,54321W",
        "N56,12345 W5,54321",
        "56,12345° -5,54321°",
    ],
)
def test_decimal_degrees_are_read_in_every_usual_form(text: str) -> None:
    """Comma, blank, letters before or after, degree signs and geo: addresses mean the same place."""
    position = read_position(text)

    assert position is not None
    assert (position.lat, position.lon) == pytest.approx((56.12345, -5.54321), abs=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        "56 07.407N 5 32.593W",
        "56 07.407 N, 005 32.593 W",
        "N56 07.407 W005 32.593",
        "56-07.407N 005-32.593W",
        "56°07.407'N 5°32.593'W",
        "56º07.407′N 5º32.593′W",
        "56°07.407’N 5°32.593’W",
        "56°07.407' -5°32.593'",
        "56°07,407' -5°32,593'",
        "56 07,407N 5 32,593W",
        "56 deg 7.407 min N 5 deg 32.593 min W",
        "56°7'24.42\"N 5°32'35.58\"W",
        "56°7′24.42″N 5°32′35.58″W",
        "56 7 24.42 N 5 32 35.58 W",
        "56°7'24.42''N, 5°32'35.58''W",
        "56:07:24.42N 5:32:35.58W",
        "56 degrees 7 minutes 24.42 seconds N 5 degrees 32 minutes 35.58 seconds W",
    ],
)
def test_minutes_and_seconds_are_read_in_every_usual_form(text: str) -> None:
    """Decimal minutes and minutes with seconds, whatever signs stand between."""
    position = read_position(text)

    assert position is not None
    assert (position.lat, position.lon) == pytest.approx((56.12345, -5.5432167), abs=1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("91 N 5 W", "latitude 91 is impossible"),
        ("-90.1,5.0", "latitude -90.1 is impossible"),
        ("50.0,180.1", "longitude 180.1 is impossible"),
        ("geo:91,5", "latitude 91 is impossible"),
        ("56.1N 5.5N", "one N or S and one E or W"),
        ("56.1N 5.5S", "one N or S and one E or W"),
        ("-56.1S 5.5W", "not both"),
        ("56 61N 5 3W", "go up to 59, not 61"),
        ("56 7 60 N 5 3 0 W", "go up to 59, not 60"),
        ("56.5 7N 5 3W", "degrees with a decimal point"),
        ("56 7.5 24 N 5 3 0 W", "minutes with a decimal point"),
        ("geo:56.1, -5.5", "a geo: address looks like"),
        ("geo:56.1", "a geo: address looks like"),
        ("geo:56.1,-5.5;crs=osgb", "only WGS84 positions can be used, not osgb"),
        ("geo:56.1,-5.5;crs", "not an unnamed system"),
        ("geo:56.1,-5.5;u=near", "a number of metres"),
        ("56.1", "56.1 is one number: give latitude and longitude"),
        ("56.1N", "one number"),
        ("N 56 07.4", "one number"),
        ("56.1 degrees", "one number"),
        ("56.12345", "one number"),
        ("97.1,-20.5", "look whether the two numbers are swapped"),
        ("97,12345 -20,54321", "look whether the two numbers are swapped"),
        ("56.1N 5.5", "only one number of 56.1N 5.5 has a letter"),
        ("56.1, W 5.5", "only one number"),
        ("N 56.1 5.5 W", "put each letter of N 56.1 5.5 W after its number"),
        ("56 07.407 5 32.593", "the hemispheres of 56 07.407 5 32.593 are not known"),
        ("56.1, 5", "not known"),
        ("56°07.407' 5°32.593'", "any of four places"),
        ("56,1", "can be read in two ways"),
        ("56,12345", "can be read in two ways"),
        ("56,12 5,54", "can be read in two ways"),
        ("56,123 -5,543", "can be read in two ways"),
        ("56,12345,-5,54321", "can be read in two ways"),
        ("56.12345N 5.54321O", "O is east in German and west in other languages"),
        ("56,12345 n, 5,54321 o", "O is east in German"),
        ("N 56 07.407 O 5 32.593", "O is east in German"),
    ],
)
def test_what_is_shaped_like_a_position_and_cannot_be_is_refused_with_a_reason(text: str, words: str) -> None:
    """The reason can be read to whoever typed it."""
    with pytest.raises(PositionError, match=words):
        read_position(text)


@pytest.mark.parametrize(
    "text",
    [
        "",
        "LANTERN",
        "482139",
        "482 139",
        "12 34",
        "12, 34",
        "2 divers",
        "10:30 11:45",
        "12",
        "1.1,2.2,3.3",
        "5607.407N 00532.593W",
        "1.1,2.2" * 40,
    ],
)
def test_what_is_no_position_is_none(text: str) -> None:
    """Codes, counts, names and half positions are left to others."""
    assert read_position(text) is None


@given(st.text(max_size=200))
def test_reading_a_position_never_breaks(text: str) -> None:
    """Any text is a position, none, or refused."""
    try:
        position = read_position(text)
    except PositionError:
        return
    assert position is None or -90 <= position.lat <= 90


@given(LATITUDES, LONGITUDES)
def test_what_we_write_reads_back_within_a_metre(lat: float, lon: float) -> None:
    """Five places are kept, in the GSM alphabet, in either sign."""
    written = decimal(Position(lat, lon))

    read = read_position(written)
    assert is_gsm7(written)
    assert read is not None
    assert (read.lat, read.lon) == pytest.approx((lat, lon), abs=0.000_006)


def test_a_position_is_written_with_five_places_and_no_negative_zero() -> None:
    """A hair south of the equator is written as the equator."""
    assert decimal(Position(56.1234549, -5.5)) == "56.12345,-5.50000"
    assert decimal(Position(-0.000001, 0)) == "0.00000,0.00000"


@pytest.mark.parametrize("lat", [float("nan"), float("inf"), 90.0001, -90.0001])
def test_no_impossible_position_can_be_made(lat: float) -> None:
    """A position that exists is a place on Earth."""
    with pytest.raises(PositionError):
        Position(lat, 0)
    with pytest.raises(PositionError):
        Position(0, 2.001 * lat)


@pytest.mark.parametrize(("lat", "lon"), [(90, 180), (-90, -180), (0, 0)])
def test_the_ends_of_the_earth_are_on_it(lat: float, lon: float) -> None:
    """Poles and the date line are positions."""
    assert decimal(Position(lat, lon))
