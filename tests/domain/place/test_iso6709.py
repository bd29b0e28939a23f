"""The string form of ISO 6709."""

from __future__ import annotations

import pytest

from service.domain.place.iso6709 import read_iso6709
from service.domain.place.position import PositionError


@pytest.mark.parametrize(
    ("text", "lat", "lon"),
    [
        ("+47.12345-020.54321/", 47.12345, -20.54321),
        ("+4707.407-02032.593/", 47.12345, -20.5432167),
        ("+470724.42-0203235.58/", 47.12345, -20.5432167),
        ("+47-020/", 47, -20),
        ("-00.5+000.25/", -0.5, 0.25),
        ("+47.12345-020.54321-18.5/", 47.12345, -20.54321),
        ("+47.12345-020.54321-18.5CRSWGS_84/", 47.12345, -20.54321),
        ("+47.12345-020.54321crswgs84/", 47.12345, -20.54321),
        ("+90+180/", 90, 180),
    ],
)
def test_degrees_minutes_and_seconds_are_told_by_their_digits(text: str, lat: float, lon: float) -> None:
    """The last unit may have decimals; height is left out."""
    reading = read_iso6709(text)

    assert reading is not None
    assert reading.format == "ISO 6709"
    assert (reading.position.lat, reading.position.lon) == pytest.approx((lat, lon), abs=1e-6)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("+7.12345-020.54321/", "too few or too many digits"),
        ("+47.12345-20.54321/", "two of degrees for latitude and three for longitude"),
        ("+471.5-02032/", "too few or too many digits"),
        ("+47123456-020/", "too few or too many digits"),
        ("+47.1.2-020/", "too few or too many digits"),
        ("+91-020/", "latitude 91 is impossible"),
        ("+47-181/", "longitude -181 is impossible"),
        ("+4760-020/", "go up to 59"),
        ("+47-0200060/", "go up to 59"),
        ("+47.1-020.5CRSOSGB/", "only WGS84 positions can be used, not OSGB"),
        ("+47.1-020.5CRS/", "not an unnamed system"),
    ],
)
def test_what_breaks_the_form_is_refused(text: str, words: str) -> None:
    """A digit lost, an impossible angle, another reference system."""
    with pytest.raises(PositionError, match=words):
        read_iso6709(text)


@pytest.mark.parametrize("text", ["+47.12345-020.54321", "+15/", "+15", "47.1-020.5/", "+47 -020/", "+a-b/", "-/"])
def test_without_its_signs_and_its_slash_it_is_another_matter(text: str) -> None:
    """A late text such as +15 is none."""
    assert read_iso6709(text) is None
