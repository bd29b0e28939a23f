"""Universal Transverse Mercator coordinates and military grid references, on WGS84.

UTM as in DMA Technical Manual 8358.2, with the wider zones off Norway and Svalbard; it ends at 84 north and 80 south.
MGRS as in DMA Technical Manual 8358.1 with the lettering for WGS84; it is written, and near the poles read, by the
GEOTRANS routines, which there use the polar stereographic grid.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass

from mgrs import MGRS
from mgrs.core import MGRSError

from service.domain.place.geodesy import normal_longitude
from service.domain.place.position import Position, PositionError, Reading, lettered, understood

UTM = "UTM"
MILITARY_GRID = "MGRS"

UTM_SOUTHERNMOST = -80.0
UTM_NORTHERNMOST = 84.0

MOST_FIGURES = 10
"""Figures of the finest reference, of squares of one metre."""

_BANDS = "CDEFGHJKLMNPQRSTUVWX"
_BAND_DEGREES = 8.0
# A point on the edge of a band, rounded to a metre, may read a hair beyond it.
_BAND_SLACK = 0.0001
# The widest zones, off Svalbard, go 6 degrees to each side; a little beyond its zone a coordinate is still in use.
_FARTHEST_FROM_MERIDIAN = 7.0

_CENTIMETRE_DEGREES = 1e-7

_SQUARE_M = 100_000
# The letters of the squares: eastwards in three sets by zone, northwards again every 2000 km, even zones five on.
_COLUMNS = ("STUVWXYZ", "ABCDEFGH", "JKLMNPQR")
_ROWS = "ABCDEFGHJKLMNPQRSTUV"
_ROWS_OFF_IN_EVEN_ZONES = 5

_UTM = re.compile(
    r"(utm[ :]{1,2})?(?:zone )?(\d{1,2})(?: ?(north|south|[A-Z])\b)?[ ,]{1,2}"
    r"(?:E ?)?(\d{6}(?:\.\d{1,6})?) ?(?:m ?)?E?[ ,]{1,2}"
    r"(?:N ?)?(\d{1,8}(?:\.\d{1,6})?) ?(?:m ?)?N?",
    re.IGNORECASE,
)
_MGRS = re.compile(
    r"(mgrs[ :]{1,2})?(\d{1,2} ?[C-HJ-NP-X]|[ABYZ]) ?([A-HJ-NP-Z]{2}) ?(\d{0,10})(?: (\d{1,10}))?", re.IGNORECASE
)
# Without its label and with fewer figures a polar reference looks like a word and a number: ALL 12.
_POLAR_FEWEST = 8
_UTM_EXAMPLE = "27T 534648 5218984 or 27 north 534648 5218984"


@dataclass(frozen=True, slots=True)
class UtmPoint:
    """A point of the UTM grid: zone 1 to 60, hemisphere, metres east and north on its sheet."""

    zone: int
    northern: bool
    easting_m: float
    northing_m: float


def to_utm(position: Position) -> UtmPoint | None:
    """The UTM coordinates of a position; None beyond 84 north and 80 south, where there are none."""
    import utm  # noqa: PLC0415 - brings numpy, which most processes never need

    if not UTM_SOUTHERNMOST <= position.lat <= UTM_NORTHERNMOST:
        return None
    # The date line is the western edge of zone 1.
    easting, northing, zone, band = utm.from_latlon(position.lat, normal_longitude(position.lon))
    # A hair south of the equator is in band N by rounding, with a northing a hair below nought.
    return UtmPoint(int(zone), band >= "N", float(easting), max(float(northing), 0.0))


def from_utm(point: UtmPoint) -> Position:
    """The position of UTM coordinates; raises PositionError for a zone or metres that do not exist."""
    position = _place_of(point)
    if not UTM_SOUTHERNMOST - _BAND_SLACK <= position.lat <= UTM_NORTHERNMOST + _BAND_SLACK:
        raise PositionError(f"UTM does not reach {lettered(position)}: look at the northing")
    return position


def _place_of(point: UtmPoint) -> Position:
    """The position of UTM coordinates, a little beyond its last band too."""
    import utm  # noqa: PLC0415 - brings numpy, which most processes never need

    try:
        lat, lon = utm.to_latlon(point.easting_m, point.northing_m, point.zone, northern=point.northern)
    except utm.OutOfRangeError as error:
        raise PositionError(f"UTM {error}") from None
    position = Position(float(lat), normal_longitude(float(lon)))
    off = normal_longitude(position.lon - utm.conversion.zone_number_to_central_longitude(point.zone))
    if abs(off) > _FARTHEST_FROM_MERIDIAN:
        raise PositionError(f"UTM zone {point.zone} does not reach {lettered(position)}: look at zone and easting")
    return position


def read_utm(typed: str) -> Reading | None:
    """Read zone, letter, easting and northing; None where the text is not shaped so.

    A word (north, south) is the hemisphere, a letter the latitude band; N and S are in use for both. N means the same
    place either way. Raises PositionError where S does not, for a letter left out, and for what does not exist.
    """
    match = _UTM.fullmatch(typed)
    if match is None:
        return None
    zone, letter, easting, northing = int(match[2]), (match[3] or "").upper(), float(match[4]), float(match[5])
    if not letter:
        raise PositionError(f"UTM needs north or south, or the letter of its band, after the zone: {_UTM_EXAMPLE}")
    if letter in ("NORTH", "N"):
        return _utm_reading(UtmPoint(zone, northern=True, easting_m=easting, northing_m=northing))
    southern = UtmPoint(zone, northern=False, easting_m=easting, northing_m=northing)
    if letter == "SOUTH":
        return _utm_reading(southern)
    if letter not in _BANDS:
        raise PositionError(f"{letter} is no UTM band; they go from C to X without I and O, as in {_UTM_EXAMPLE}")
    banded = UtmPoint(zone, northern=letter >= "N", easting_m=easting, northing_m=northing)
    if letter == "S":
        return _read_s(banded, southern)
    position = from_utm(banded)
    if not _in_band(position.lat, letter):
        raise PositionError(f"{typed} would be {lettered(position)}, which is not in band {letter}: look at both")
    return _utm_reading(banded)


def read_mgrs(typed: str) -> Reading | None:
    """Read a military grid reference of 2 to 10 figures as the middle of its square; None where the text is none.

    Raises PositionError for a square that does not exist, uneven figures, and a square of 100 km without figures.
    """
    match = _MGRS.fullmatch(typed)
    if match is None:
        return None
    zone, square, first, second = match[2].replace(" ", "").upper(), match[3].upper(), match[4], match[5] or ""
    figures = first + second
    if len(zone) == 1 and not match[1] and len(figures) < _POLAR_FEWEST:
        return None
    if not figures:
        raise PositionError(f"{zone} {square} is a square of 100 km: add its figures, as in 27T WN 34647 18984")
    if len(figures) % 2 or len(figures) > MOST_FIGURES or (second and len(first) != len(second)):
        raise PositionError(f"the figures of {typed} must be two halves of equal length, as in 27T WN 34647 18984")
    half = len(figures) // 2
    name = f"{zone} {square} {figures[:half]} {figures[half:]}"
    side = 10 ** (MOST_FIGURES // 2 - half)
    middle = _middle_by_utm(zone, square, figures) if len(zone) > 1 else _middle_near_a_pole(f"{zone}{square}{figures}")
    if middle is None:
        raise PositionError(f"{name} is on no military grid square: look at its letters")
    return understood(
        middle, MILITARY_GRID, f"{MILITARY_GRID} {name}, middle of a square of {side} m", side / math.sqrt(2)
    )


def to_mgrs(position: Position, digits: int = MOST_FIGURES) -> str:
    """Write a military grid reference with 2, 4, 6, 8 or 10 figures: "27T WN 34647 18984" names a square of a metre.

    Figures are cut, never rounded, so that the square holds the position. Raises ValueError for other numbers of
    figures.
    """
    if digits not in range(2, MOST_FIGURES + 1, 2):
        raise ValueError(f"a grid reference has 2, 4, 6, 8 or 10 figures, not {digits}")
    half = digits // 2
    # A centimetre south of the equator the routines round to it, and then name a row of squares that band M has not.
    lat = 0.0 if -_CENTIMETRE_DEGREES < position.lat < 0 else position.lat
    reference = MGRS().toMGRS(lat, normal_longitude(position.lon), MGRSPrecision=half)
    head, east, north = reference[:-digits], reference[-digits:-half], reference[-half:]
    return f"{head[:-2].lstrip('0')} {head[-2:]} {east} {north}"


def _middle_by_utm(zone_and_band: str, square: str, figures: str) -> Position | None:
    """The middle of a square; None where the zone has no such square, or not in this band."""
    zone, band = int(zone_and_band[:-1]), zone_and_band[-1]
    columns, off = _COLUMNS[zone % 3], _ROWS_OFF_IN_EVEN_ZONES * (zone % 2 == 0)
    if not 1 <= zone <= 60 or square[0] not in columns or square[1] not in _ROWS:  # noqa: PLR2004 - zones of 6 degrees
        return None
    row = (_ROWS.index(square[1]) - off) % len(_ROWS)
    lowest = _lowest_row(zone, band)
    row += math.ceil((lowest - row) / len(_ROWS)) * len(_ROWS)
    half = len(figures) // 2
    side = 10 ** (MOST_FIGURES // 2 - half)
    easting = (columns.index(square[0]) + 1) * _SQUARE_M + (int(figures[:half]) + 0.5) * side
    northing = row * _SQUARE_M + (int(figures[half:]) + 0.5) * side
    try:
        middle = _place_of(UtmPoint(zone, northern=band >= "N", easting_m=easting, northing_m=northing))
    except PositionError:
        return None
    # The middle of a square that the edge of its band cuts may lie beyond it, by less than a side.
    return middle if _in_band(middle.lat, band, slack=side / _SQUARE_M) else None


def _lowest_row(zone: int, band: str) -> int:
    """The southernmost row of squares, counted from the equator or in the south from its false origin, of a band."""
    # In the south a parallel bends down towards the edges of its zone: by less than one row.
    meridian = normal_longitude(zone * 6.0 - 183.0)
    bottom = to_utm(Position(UTM_SOUTHERNMOST + _BAND_DEGREES * _BANDS.index(band), meridian))
    return math.floor(bottom.northing_m / _SQUARE_M) - 1 if bottom else 0


def _middle_near_a_pole(reference: str) -> Position | None:
    """The middle of a square of the polar grid; None where there is no such square."""
    try:
        return Position(*MGRS().toLatLon(reference))
    except MGRSError:
        return None


def _utm_reading(point: UtmPoint) -> Reading:
    """What UTM coordinates mean, in words."""
    hemisphere = "north" if point.northern else "south"
    return understood(
        from_utm(point), UTM, f"UTM zone {point.zone} {hemisphere}, {point.easting_m:.12g} E, {point.northing_m:.12g} N"
    )


def _read_s(banded: UtmPoint, southern: UtmPoint) -> Reading:
    """Read the letter S: south, unless band S (32 to 40 north) is possible too."""
    south = _utm_reading(southern)
    try:
        in_band = from_utm(banded)
    except PositionError:
        return south
    if _in_band(in_band.lat, "S"):
        raise PositionError(
            f"S can be the band ({lettered(in_band)}) or south ({lettered(south.position)}): write the word north or"
            f" south, as in {_UTM_EXAMPLE}"
        )
    return south


def _in_band(lat: float, letter: str, slack: float = _BAND_SLACK) -> bool:
    """Whether a latitude lies in a band: 8 degrees each from 80 south, the last, X, 12."""
    bottom = UTM_SOUTHERNMOST + _BAND_DEGREES * _BANDS.index(letter)
    top = UTM_NORTHERNMOST if letter == "X" else bottom + _BAND_DEGREES
    return bottom - slack <= lat <= top + slack
