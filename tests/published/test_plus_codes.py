"""Open Location Codes against published values.

Source: github.com/google/open-location-code, commit 83986da, test_data (encoding.csv, decoding.csv, validityTests.csv)
"""

from __future__ import annotations

import pytest

from service.domain.place.plus_code import decode, encode, is_full, is_short
from service.domain.place.position import Position

ENCODED = [
    (20.375, 2.775, 6, "7FG49Q00+"),
    (20.3700625, 2.7821875, 10, "7FG49QCJ+2V"),
    (47.0000625, 8.0000625, 10, "8FVC2222+22"),
    (0.5, -179.5, 4, "62G20000+"),
    (20.5, 2.5, 4, "7FG40000+"),
    (-89.9999375, -179.9999375, 10, "22222222+22"),
    (0.5, 179.5, 4, "6VGX0000+"),
    (1, 1, 11, "6FH32222+222"),
    (90, 1, 4, "CFX30000+"),
]


@pytest.mark.parametrize(("lat", "lon", "length", "code"), ENCODED)
def test_encoding(lat: float, lon: float, length: int, code: str) -> None:
    """At each length, at the pole and at both ends of the date line."""
    assert encode(Position(lat, lon), length) == code


@pytest.mark.parametrize(
    ("code", "corners"),
    [
        ("7FG49QCJ+2V", (20.37, 2.782125, 20.370125, 2.78225)),
        ("8FVC2222+22", (47.0, 8.0, 47.000125, 8.000125)),
        ("4VCPPQGP+Q9", (-41.273125, 174.785875, -41.273, 174.786)),
    ],
)
def test_decoding(code: str, corners: tuple[float, float, float, float]) -> None:
    """South, west, north and east of the cell."""
    cell = decode(code)

    assert (cell.south, cell.west, cell.north, cell.east) == pytest.approx(corners, abs=1e-10)


@pytest.mark.parametrize(
    ("code", "full", "short"),
    [
        ("8FWC2345+G6", True, False),
        ("8fwc2345+", True, False),
        ("WC2345+G6g", False, True),
        ("G+", False, False),
        ("8FWC2300+G6", False, False),
        ("84900000+", False, False),
        ("849VGJQF+VX7QR3U", False, False),
    ],
)
def test_validity(code: str, full: bool, short: bool) -> None:  # noqa: FBT001
    """Full, short, or neither."""
    assert (is_full(code), is_short(code)) == (full, short)
