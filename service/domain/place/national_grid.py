"""The British National Grid, by the Ordnance Survey's own transformation OSTN15.

OSTN15 is what relates the grid to ETRS89, and ETRS89 is WGS84 to within a metre. Where the shift grid has no value
there is no answer: the approximate seven-parameter shift, good to 5 m on land, is not used. The grid's rectangle also
holds parts of Ireland and France, where nobody uses it.
"""

from __future__ import annotations

import math
import re

from service.domain.place.position import Position, PositionError, Reading, understood

NATIONAL_GRID = "British National Grid"

MOST_FIGURES = 10
"""Figures of the finest reference, of squares of one metre."""

_SQUARE_M = 100_000
_SQUARES_EAST = 7
_SQUARES_NORTH = 13
_LETTERS = "ABCDEFGHJKLMNOPQRSTUVWXYZ"
_FEWEST_FIGURES = 4

# Without I, which no grid has: IN 482139 is a text to us and not a place.
_REFERENCE = re.compile(r"([A-HJ-Z]{2}) ?(\d{1,10})(?: (\d{1,10}))?", re.IGNORECASE)
_LABEL = r"(?:bng|osgb(?:36)?|os grid|(?:british )?national grid)"
_METRES = re.compile(
    rf"{_LABEL}[ :]{{1,2}}"
    r"(?:E ?)?(\d{1,6}(?:\.\d{1,6})?) ?(?:m ?)?E?[ ,]{1,2}(?:N ?)?(\d{1,7}(?:\.\d{1,6})?) ?(?:m ?)?N?",
    re.IGNORECASE,
)
# Figures that are too many for degrees, with both letters: metres on a grid that is not named.
_UNNAMED = re.compile(r"E ?\d{4,7}[ ,]{1,2}N ?\d{4,8}|\d{4,7} ?m? ?E[ ,]{1,2}\d{4,8} ?m? ?N", re.IGNORECASE)


def to_grid(position: Position) -> tuple[float, float] | None:
    """Easting and northing in metres, to a millimetre; None where the transformation has no value or the grid ends."""
    from convertbng.cutil import convert_to_osgb36  # noqa: PLC0415 - brings numpy, which most processes never need

    eastings, northings = convert_to_osgb36(position.lon, position.lat)
    easting, northing = float(eastings[0]), float(northings[0])
    # Not a number where the transformation has no value, and then neither comparison holds.
    if 0 <= easting < _SQUARES_EAST * _SQUARE_M and 0 <= northing < _SQUARES_NORTH * _SQUARE_M:
        return easting, northing
    return None


def from_grid(easting: float, northing: float) -> Position:
    """The position of an easting and northing in metres; raises PositionError where the transformation has no value."""
    from convertbng.cutil import convert_osgb36_to_ll  # noqa: PLC0415 - brings numpy, which most processes never need

    lons, lats = convert_osgb36_to_ll(easting, northing)
    lat, lon = float(lats[0]), float(lons[0])
    if math.isnan(lat):
        raise PositionError(
            f"E {easting:.0f} N {northing:.0f} is outside the area of the British National Grid: give latitude and"
            " longitude"
        )
    return Position(lat, lon)


def to_reference(position: Position, digits: int = MOST_FIGURES) -> str | None:
    """Write a grid reference with 2, 4, 6, 8 or 10 figures: "TG 51409 13177"; None where the grid has no value.

    Figures are cut, never rounded, so that the square holds the position. Raises ValueError for other numbers of
    figures.
    """
    if digits not in range(2, MOST_FIGURES + 1, 2):
        raise ValueError(f"a grid reference has 2, 4, 6, 8 or 10 figures, not {digits}")
    metres = to_grid(position)
    if metres is None:
        return None
    half = digits // 2
    (east, easting), (north, northing) = (divmod(math.floor(metre), _SQUARE_M) for metre in metres)
    side = 10 ** (5 - half)
    return f"{_square(east, north)} {easting // side:0{half}d} {northing // side:0{half}d}"


def corner_of(letters: str, figures: str) -> tuple[int, int]:
    """Easting and northing in metres of the south-west corner of a square.

    Raises PositionError for letters of no square of the grid.
    """
    known = {_square(east, north): (east, north) for east in range(_SQUARES_EAST) for north in range(_SQUARES_NORTH)}
    if letters not in known:
        raise PositionError(
            f"{letters} is no square of the British National Grid; a military grid reference has its zone before it,"
            " as in 27T WN 34647 18984"
        )
    east, north = known[letters]
    half = len(figures) // 2
    side = 10 ** (5 - half)
    return east * _SQUARE_M + int(figures[:half]) * side, north * _SQUARE_M + int(figures[half:]) * side


def read_national_grid(typed: str) -> Reading | None:
    """Read a grid reference of 4 to 10 figures as the middle of its square, or a labelled easting and northing.

    None where the text is not shaped so. Raises PositionError for uneven figures, letters of no square, a square of
    10 km, metres without the name of their grid, and places where the transformation has no value.
    """
    if metres := _METRES.fullmatch(typed):
        easting, northing = float(metres[1]), float(metres[2])
        return understood(from_grid(easting, northing), NATIONAL_GRID, f"{NATIONAL_GRID} E {metres[1]}, N {metres[2]}")
    if _UNNAMED.fullmatch(typed):
        raise PositionError(
            f"{typed} may be of several grids: write BNG before it for the British National Grid, or the UTM zone"
        )
    match = _REFERENCE.fullmatch(typed)
    if match is None:
        return None
    letters, first, second = match[1].upper(), match[2], match[3] or ""
    figures = first + second
    if len(figures) % 2 or len(figures) > MOST_FIGURES or (second and len(first) != len(second)):
        raise PositionError(f"the figures of {typed} must be two halves of equal length, as in TG 514 131")
    easting, northing = corner_of(letters, figures)
    if len(figures) < _FEWEST_FIGURES:
        raise PositionError(f"{letters} {figures} is a square of 10 km: add figures, as in TG 514 131")
    half = len(figures) // 2
    side = 10 ** (5 - half)
    name = f"{NATIONAL_GRID} {letters} {figures[:half]} {figures[half:]}, middle of a square of {side} m"
    return understood(
        from_grid(easting + side / 2, northing + side / 2), NATIONAL_GRID, name, accuracy_m=side / math.sqrt(2)
    )


def _square(east: int, north: int) -> str:
    """The letters of the 100 km square so many squares east and north of the false origin.

    Letters run from A in the north-west corner to Z in the south-east one, without I, in squares of 500 km and again
    inside each of them. The origin is the south-west corner of S.
    """
    big = _LETTERS[(3 - north // 5) * 5 + 2 + east // 5]
    return big + _LETTERS[(4 - north % 5) * 5 + east % 5]
