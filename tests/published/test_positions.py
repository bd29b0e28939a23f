"""Positions as written in standards and in the tests of other readers.

Sources:
[1] RFC 5870 section 6 (examples of geo: addresses) and its grammar
[2] github.com/chrisveness/geodesy, commit 3e9fdd3, tests of reading degrees, minutes and seconds
[3] ISO 6709:2008 Annex D (the form for people)
[4] ISO 6709 Annex H (the string form), examples as collected in public test suites; the standard itself was not opened
"""

from __future__ import annotations

import pytest

from service.domain.place import writing
from service.domain.place.position import Position, PositionError
from service.domain.place.reading import read_place, read_position


@pytest.mark.parametrize(
    ("text", "lat", "lon"),
    [
        ("geo:48.198634,16.371648;crs=wgs84;u=40", 48.198634, 16.371648),
        ("geo:22.300,-118.44", 22.3, -118.44),
        ("geo:22.3,-118.4400", 22.3, -118.44),
        ("geo:22,0;bar=blue", 22, 0),
        ("geo:22,0;BAR=blue", 22, 0),
        ("geo:48.201,16.3695,183", 48.201, 16.3695),
        ("geo:48.201,16.3695,183;crs=wgs84", 48.201, 16.3695),
    ],
)
def test_a_geo_address_is_the_place_that_the_standard_says(text: str, lat: float, lon: float) -> None:
    """[1] Trailing zeros, height and parameters do not move it; WGS84 is the default and names have no case."""
    position = read_position(text)

    assert position is not None
    assert (position.lat, position.lon) == (lat, lon)


def test_the_uncertainty_of_a_geo_address_is_in_metres() -> None:
    """[1] Section 6.2: 40 m in its example."""
    reading = read_place("geo:48.198634,16.371648;crs=wgs84;u=40")

    assert reading is not None
    assert reading.accuracy_m == 40


@pytest.mark.parametrize("text", ["geo:48.2010,16.3695,183,666", "geo:48.2010, 16.3695"])
def test_what_the_grammar_does_not_allow_is_refused(text: str) -> None:
    """[1] Not four numbers, and no blank."""
    with pytest.raises(PositionError, match="a geo: address looks like"):
        read_position(text)


ANGLE_OF_45_7626 = [
    "45.76260",
    "45°45.756\u2032",
    "45°45\u203245.36\u2033",
    "45º45'45.36\"",
    "45°45\u201945.36\u201d",
    "45 45 45.36 ",
]


@pytest.mark.parametrize("angle", ANGLE_OF_45_7626, ids=ascii)
@pytest.mark.parametrize(
    ("letters", "lat", "lon"), [("NE", 45.7626, 45.7626), ("SW", -45.7626, -45.7626), ("NW", 45.7626, -45.7626)]
)
@pytest.mark.parametrize("blank", ["", " "])
def test_degrees_are_read_with_any_signs(angle: str, letters: str, lat: float, lon: float, blank: str) -> None:
    """[2] Each form of 45.7626 degrees, with a letter after it, with or without a blank."""
    position = read_position(f"{angle}{blank}{letters[0]} {angle}{blank}{letters[1]}")

    assert position is not None
    assert (position.lat, position.lon) == pytest.approx((lat, lon), abs=1e-9)


def test_what_is_no_angle_is_not_read() -> None:
    """[2] Letters are no position."""
    assert read_position("xxx") is None


def test_the_form_for_people_is_read() -> None:
    """[3] Degree, minute and second signs with the letter directly after."""
    position = read_position("50°40\u203246.461\u2033N 95°48\u203226.533\u2033W")

    assert position is not None
    assert (position.lat, position.lon) == pytest.approx(
        (50 + 40 / 60 + 46.461 / 3600, -(95 + 48 / 60 + 26.533 / 3600)), abs=1e-9
    )


def test_the_form_for_people_is_written() -> None:
    """[3] Zeros before small minutes and seconds, no blanks inside, primes, the letter directly after."""
    position = Position(50 + 40 / 60 + 46.461 / 3600, -(95 + 48 / 60 + 26.533 / 3600))

    assert writing.dms(position, places=3) == "50\u00b040\u203246.461\u2033N 95\u00b048\u203226.533\u2033W"
    assert writing.dms(Position(9.1525, -9.1525)).startswith("9\u00b009\u203209.00\u2033N")


def test_degrees_are_written_with_minutes_and_seconds() -> None:
    """[2] Rounding carries; degrees of longitude have three digits in minutes and, as in [3], no zeros in seconds."""
    assert writing.degrees_minutes(Position(0, 9.1525), places=4).endswith(" 009\u00b009.1500'E")
    assert writing.dms(Position(0, 9.1525)).endswith(" 9\u00b009\u203209.00\u2033E")
    assert writing.dms(Position(0, 51.99999999999999), places=0).endswith(" 52\u00b000\u203200\u2033E")


@pytest.mark.parametrize(
    ("text", "lat", "lon"),
    [
        ("-90+000+2800CRSWGS_84/", -90, 0),
        ("+48.8577+002.295/", 48.8577, 2.295),
        ("+40.75-074.00/", 40.75, -74),
        ("+4852+00220/", 48.866667, 2.333333),
        ("+00-025/", 0, -25),
        ("+5012-00010/", 50.2, -0.1666667),
        ("+501234-0001042/", 50.2094444, -0.1783333),
        ("+123456.7-0985432.1/", 12.5824167, -98.9089167),
    ],
)
def test_the_string_form_is_read(text: str, lat: float, lon: float) -> None:
    """[4] Degrees, with minutes and with seconds, told by the number of digits."""
    position = read_position(text)

    assert position is not None
    assert (position.lat, position.lon) == pytest.approx((lat, lon), abs=1e-6)


def test_the_string_form_needs_three_digits_of_longitude() -> None:
    """[4] Fewer may have been lost."""
    with pytest.raises(PositionError, match="ISO 6709 has two of degrees for latitude and three for longitude"):
        read_position("+35.658632+1/")
