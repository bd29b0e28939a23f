"""Open Location Codes, by the Open Location Code specification.

A code names a cell: ten digits in pairs (base 20, latitude first), then up to five that divide the cell in rows of five
and columns of four. The plus sign stands after the eighth; zeros before it fill up a short code's end.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from service.domain.place.geodesy import distance_m, normal_longitude
from service.domain.place.position import Position, PositionError, Reading, understood

PLUS_CODE = "plus code"

LENGTHS = (2, 4, 6, 8, 10, 11, 12, 13, 14, 15)
"""The numbers of digits that a code may have."""

_DIGITS = "23456789CFGHJMPQRVWX"
_PAIRS_LENGTH = 10
_PLUS_AT = 8
_ROWS, _COLUMNS = 5, 4
_GRID_DIGITS = 5
# Cells of the finest code in a degree: 20 * 20 * 20 pairs below the degree, then five divisions.
_LAT_PARTS = 8000 * _ROWS**_GRID_DIGITS
_LON_PARTS = 8000 * _COLUMNS**_GRID_DIGITS

_SHAPE = re.compile(r"[0-9A-Z]{8}\+[0-9A-Z]{0,7}|[0-9A-Z]{2,6}\+[0-9A-Z]{0,7}", re.IGNORECASE)
_FULL = re.compile(
    rf"[2-9C][2-9CFGHJMPQRV](?:[{_DIGITS}]{{6}}\+(?:[{_DIGITS}]{{2,7}})?"
    rf"|0{{6}}\+|[{_DIGITS}]{{2}}0000\+|[{_DIGITS}]{{4}}00\+)"
)
_SHORT = re.compile(rf"(?:[{_DIGITS}]{{2}}){{1,3}}\+(?:[{_DIGITS}]{{2,7}})?")


@dataclass(frozen=True, slots=True)
class Cell:
    """What a code names, in degrees on WGS84."""

    south: float
    west: float
    north: float
    east: float

    @property
    def middle(self) -> Position:
        """The middle of the cell."""
        return Position((self.south + self.north) / 2, (self.west + self.east) / 2)

    @property
    def accuracy_m(self) -> float:
        """Metres from the middle to the farthest corner."""
        return max(distance_m(self.middle, Position(lat, self.west)) for lat in (self.south, self.north))


def is_full(code: str) -> bool:
    """Whether a code is valid and names one cell on Earth."""
    return _FULL.fullmatch(code.upper()) is not None


def is_short(code: str) -> bool:
    """Whether a code is valid and names a cell only near a place that is known."""
    return _SHORT.fullmatch(code.upper()) is not None


def encode(position: Position, length: int = 11) -> str:
    """The code of a position: 10 digits name a cell of about 14 m, 11 one of about 3 m.

    Raises ValueError for a length that no code has.
    """
    if length not in LENGTHS:
        raise ValueError(f"a plus code has 2, 4, 6, 8 or 10 to 15 digits, not {length}")
    # The pole belongs to the northernmost cell, and 180 degrees to the westernmost.
    lat = min(math.floor(position.lat * _LAT_PARTS) + 90 * _LAT_PARTS, 180 * _LAT_PARTS - 1)
    lon = math.floor(normal_longitude(position.lon) * _LON_PARTS) + 180 * _LON_PARTS
    digits = ""
    for _ in range(_GRID_DIGITS):
        lat, row = divmod(lat, _ROWS)
        lon, column = divmod(lon, _COLUMNS)
        digits = _DIGITS[row * _COLUMNS + column] + digits
    for _ in range(_PAIRS_LENGTH // 2):
        lat, first = divmod(lat, 20)
        lon, second = divmod(lon, 20)
        digits = _DIGITS[first] + _DIGITS[second] + digits
    kept = digits[:length].ljust(_PLUS_AT, "0")
    return f"{kept[:_PLUS_AT]}+{kept[_PLUS_AT:]}"


def decode(code: str) -> Cell:
    """The cell of a full code. Raises PositionError for any other."""
    if not is_full(code):
        raise PositionError(
            f"{code} is no plus code: it has eight of the figures 2 to 9 and letters CFGHJMPQRVWX before the plus sign"
            " and two or more after it, as in 89VX4FF4+9P"
        )
    digits = code.upper().replace("+", "").rstrip("0")
    lat, lon = -90 * _LAT_PARTS, -180 * _LON_PARTS
    tall, wide = 400 * _LAT_PARTS, 400 * _LON_PARTS
    for first, second in zip(digits[:_PAIRS_LENGTH:2], digits[1:_PAIRS_LENGTH:2], strict=True):
        tall, wide = tall // 20, wide // 20
        lat += _DIGITS.index(first) * tall
        lon += _DIGITS.index(second) * wide
    for digit in digits[_PAIRS_LENGTH:]:
        tall, wide = tall // _ROWS, wide // _COLUMNS
        row, column = divmod(_DIGITS.index(digit), _COLUMNS)
        lat += row * tall
        lon += column * wide
    return Cell(lat / _LAT_PARTS, lon / _LON_PARTS, (lat + tall) / _LAT_PARTS, (lon + wide) / _LON_PARTS)


def recover(code: str, near: Position) -> str:
    """The full code that a short one stands for near a position. Raises PositionError for what is no short code."""
    if not is_short(code):
        raise PositionError(f"{code} is no short plus code, such as 2222+22")
    missing = _PLUS_AT - code.index("+")
    full = encode(near, _PAIRS_LENGTH)[:missing] + code.upper()
    step = 20.0 ** (2 - missing // 2)
    middle = decode(full).middle
    lat, lon = middle.lat, middle.lon
    if near.lat + step / 2 < lat and lat - step >= -90:  # noqa: PLR2004
        lat -= step
    elif near.lat - step / 2 > lat and lat + step <= 90:  # noqa: PLR2004
        lat += step
    near_lon = normal_longitude(near.lon)
    if near_lon + step / 2 < lon:
        lon -= step
    elif near_lon - step / 2 > lon:
        lon += step
    return encode(Position(lat, normal_longitude(lon)), len(code) - 1 + missing)


def read_plus_code(typed: str, near: Position | None) -> Reading | None:
    """Read a full code, or a short one near a position; None where the text is not shaped like either.

    Raises PositionError for eight characters and a plus that are no code, and for a short code with nothing near.
    """
    if not _SHAPE.fullmatch(typed):
        return None
    code = typed.upper()
    if is_short(code):
        if near is None:
            raise PositionError(
                f"{code} is a short plus code, which means nothing without a place near it: give all of it, as in"
                " 89VX4FF4+9P, or latitude and longitude"
            )
        code = recover(code, near)
    elif code.index("+") != _PLUS_AT:
        return None
    cell = decode(code)
    return understood(cell.middle, PLUS_CODE, f"{PLUS_CODE} {code}, middle of a cell", accuracy_m=cell.accuracy_m)
