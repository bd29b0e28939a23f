"""A position in each form that somebody may ask for. docs/positions.md gives their precision."""

from __future__ import annotations

import math

from service.domain.place.national_grid import to_reference
from service.domain.place.plus_code import encode
from service.domain.place.position import Position, PositionError, decimal
from service.domain.place.utm_mgrs import to_mgrs, to_utm

__all__ = [
    "decimal",
    "degrees_minutes",
    "degrees_minutes_gsm",
    "dms",
    "geo_uri",
    "iso6709",
    "mgrs",
    "national_grid",
    "plus_code",
    "utm",
]

_PLACES = 5


def degrees_minutes(position: Position, places: int = 3) -> str:
    """Degrees and decimal minutes, as charts and marine radio have them: 47°07.407'N 020°32.593'W.

    Three places are 2 m. Latitude has two digits of degrees and longitude three, so that a digit lost shows.
    """
    (lat, lat_minutes, north), (lon, lon_minutes, east) = _in_minutes(position, places)
    return f"{lat:02d}°{lat_minutes}'{north} {lon:03d}°{lon_minutes}'{east}"


def degrees_minutes_gsm(position: Position) -> str:
    """The same in the alphabet of a text message, which has no degree sign: 47 07.407N 020 32.593W."""
    (lat, lat_minutes, north), (lon, lon_minutes, east) = _in_minutes(position, 3)
    return f"{lat:02d} {lat_minutes}{north} {lon:03d} {lon_minutes}{east}"


def dms(position: Position, places: int = 2) -> str:
    """Degrees, minutes and seconds in the form for people of ISO 6709 Annex D, with primes and no blanks inside.

    Two places are 0.3 m.
    """
    angles = []
    for value, letters in ((position.lat, "NS"), (position.lon, "EW")):
        units, letter = _units(value, 3600 * 10**places, letters)
        degrees, rest = divmod(units, 3600 * 10**places)
        minutes, seconds = divmod(rest, 60 * 10**places)
        angles.append(f"{degrees}°{minutes:02d}\N{PRIME}{_pointed(seconds, places)}\N{DOUBLE PRIME}{letter}")
    return " ".join(angles)


def utm(position: Position) -> str | None:
    """UTM to a metre: "27 north 534648 5218984"; None beyond 84 north and 80 south.

    The hemisphere is a word, since the letters N and S are bands as well.
    """
    point = to_utm(position)
    if point is None:
        return None
    hemisphere = "north" if point.northern else "south"
    return f"{point.zone} {hemisphere} {round(point.easting_m):06d} {round(point.northing_m):07d}"


def mgrs(position: Position, digits: int = 10) -> str:
    """The military grid reference of the square of a metre (or more, with fewer digits): "27T WN 34647 18984"."""
    return to_mgrs(position, digits)


def national_grid(position: Position, digits: int = 10) -> str | None:
    """The British National Grid reference: "TG 51409 13177"; None where the grid has no value."""
    return to_reference(position, digits)


def plus_code(position: Position, length: int = 11) -> str:
    """The Open Location Code of the cell: "89VX4FF4+9PM" is about 3 m."""
    return encode(position, length)


def geo_uri(position: Position, accuracy_m: float | None = None) -> str:
    """A geo: address (RFC 5870), with its uncertainty in whole metres, rounded up: geo:47.12345,-20.54321;u=35.

    Raises PositionError for an accuracy that is no number of metres.
    """
    if accuracy_m is None:
        return f"geo:{decimal(position)}"
    if not (math.isfinite(accuracy_m) and accuracy_m >= 0):
        raise PositionError(f"an accuracy is a number of metres, not {accuracy_m:g}")
    return f"geo:{decimal(position)};u={math.ceil(accuracy_m)}"


def iso6709(position: Position) -> str:
    """The string form of ISO 6709 (Annex H) with five places of degrees: +47.12345-020.54321/."""
    lat, lon = round(position.lat, _PLACES) + 0.0, round(position.lon, _PLACES) + 0.0
    return f"{lat:+09.{_PLACES}f}{lon:+010.{_PLACES}f}/"


def _in_minutes(position: Position, places: int) -> tuple[tuple[int, str, str], tuple[int, str, str]]:
    """Degrees, minutes and letter of latitude and of longitude."""
    lat, north = _units(position.lat, 60 * 10**places, "NS")
    lon, east = _units(position.lon, 60 * 10**places, "EW")
    (lat, lat_rest), (lon, lon_rest) = divmod(lat, 60 * 10**places), divmod(lon, 60 * 10**places)
    return (lat, _pointed(lat_rest, places), north), (lon, _pointed(lon_rest, places), east)


def _units(value: float, per_degree: int, letters: str) -> tuple[int, str]:
    """An angle in whole smallest units, so that rounding carries, and its letter; nought is north and east."""
    units = round(abs(value) * per_degree)
    return units, letters[1] if value < 0 and units else letters[0]


def _pointed(units: int, places: int) -> str:
    """Whole units as minutes or seconds with two digits before the point."""
    whole, fraction = divmod(units, 10**places)
    return f"{whole:02d}.{fraction:0{places}d}" if places else f"{whole:02d}"
