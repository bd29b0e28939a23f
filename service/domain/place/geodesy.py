"""Distances, bearings and drawing coordinates on the WGS84 ellipsoid.

The geodesic routines are those of C. F. F. Karney, "Algorithms for geodesics", J. Geodesy 87 (2013), in his own
Python edition (geographiclib). Distances are metres along the ellipsoid, bearings degrees from true north.
"""

from __future__ import annotations

import math

from geographiclib.geodesic import Geodesic

from service.domain.place.position import Position

_WGS84: Geodesic = Geodesic.WGS84

_FULL_CIRCLE = 360.0

COMPASS_POINTS = (
    *("N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE"),
    *("S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"),
)
"""The sixteen winds, clockwise from north."""


def distance_m(a: Position, b: Position) -> float:
    """Metres along the shortest way on the ellipsoid."""
    return float(_WGS84.Inverse(a.lat, a.lon, b.lat, b.lon, Geodesic.DISTANCE)["s12"])


def bearing_deg(a: Position, b: Position) -> float:
    """True bearing of the shortest way from a to b as one leaves a, from 0 up to 360 degrees.

    Between two equal positions, and from a pole, a bearing means nothing; the number is then of no use.
    """
    return _around(_WGS84.Inverse(a.lat, a.lon, b.lat, b.lon, Geodesic.AZIMUTH)["azi1"])


def destination(a: Position, bearing_deg: float, distance_m: float) -> Position:
    """Where one is after so many metres, having left a on a true bearing.

    The longitude is from -180 up to, but not including, 180. Raises PositionError for a bearing or distance that is
    no ordinary number.
    """
    end = _WGS84.Direct(a.lat, a.lon, bearing_deg, distance_m, Geodesic.LATITUDE | Geodesic.LONGITUDE)
    return Position(end["lat2"], normal_longitude(end["lon2"]))


def local_metres(origin: Position, p: Position) -> tuple[float, float]:
    """East and north in metres from an origin: the azimuthal equidistant projection, for drawing.

    Distance and direction from the origin are true; between two other points they are as good as true within a few
    kilometres of it.
    """
    line = _WGS84.Inverse(origin.lat, origin.lon, p.lat, p.lon, Geodesic.DISTANCE | Geodesic.AZIMUTH)
    azimuth = math.radians(line["azi1"])
    return line["s12"] * math.sin(azimuth), line["s12"] * math.cos(azimuth)


def from_local_metres(origin: Position, east_m: float, north_m: float) -> Position:
    """The position so many metres east and north of an origin: the inverse of local_metres.

    Raises PositionError for metres that are no ordinary numbers.
    """
    return destination(origin, math.degrees(math.atan2(east_m, north_m)), math.hypot(east_m, north_m))


def compass_point(bearing_deg: float) -> str:
    """The nearest of the sixteen winds: "SSW" for 200 degrees; half-way between two it is the clockwise one."""
    return COMPASS_POINTS[math.floor(bearing_deg / (_FULL_CIRCLE / 16) + 0.5) % 16]


def normal_longitude(lon: float) -> float:
    """The same meridian as a number from -180 up to, but not including, 180 degrees."""
    turned = math.fmod(lon, _FULL_CIRCLE)
    if turned >= _FULL_CIRCLE / 2:
        return turned - _FULL_CIRCLE
    return turned + _FULL_CIRCLE if turned < -_FULL_CIRCLE / 2 else turned


def _around(azimuth: float) -> float:
    """A bearing from 0 up to, but not including, 360 degrees."""
    # A hair west of north is -1e-15, to which adding 360 gives 360.0 itself: the second remainder takes that back.
    return azimuth % _FULL_CIRCLE % _FULL_CIRCLE
