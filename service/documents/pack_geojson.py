"""The pack for maps: GeoJSON (RFC 7946), a collection of points, the drift as a line and the search area as a polygon.

What crosses the date line is cut there into two parts (RFC 7946, 3.1.9); outer rings run counter-clockwise (3.1.6).
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from service.documents.pack_gpx import fix_words, point_words
from service.domain.handover import Pack
from service.domain.place.geodesy import destination
from service.domain.place.position import Position
from service.domain.place.search_area import Picture

MEDIA_TYPE = "application/geo+json"

CORNERS = 64
_TURN = 360.0
_HALF_TURN = 180.0

Vertex = tuple[float, float]  # longitude, latitude; a longitude may lie beyond 180 until it is cut
Geometry = dict[str, Any]


def to_geojson(pack: Pack) -> bytes:
    """The whole document in UTF-8."""
    features = [
        *_last_position(pack),
        *(
            _feature(_point(point.position), kind=point.kind.value, name=point.name, words=point_words(point))
            for point in pack.site.points
            if point.position is not None
        ),
        *(
            _feature(
                _point(fix.position),
                kind="fix",
                name=f"Fix by {fix.by}",
                words=fix_words(fix),
                at=_time(fix.at, pack),
                used=fix.doubt is None,
            )
            for fix in pack.fixes
        ),
        *_search(pack),
    ]
    collection = {"type": "FeatureCollection", "features": features}
    return (json.dumps(collection, ensure_ascii=False, indent=1) + "\n").encode(errors="replace")


def _last_position(pack: Pack) -> list[dict[str, Any]]:
    """What a co-ordinator needs first; without a position it is a feature that says so (RFC 7946, 3.2)."""
    geometry = None if pack.where.position is None else _point(pack.where.position)
    who = pack.fact("who")
    return [
        _feature(
            geometry,
            kind="last known position",
            name=pack.headline,
            reference=pack.reference,
            exercise=pack.drill,
            phase=pack.phase.value,
            head_count=pack.head_count,
            missing=pack.missing,
            divers=list(pack.names),
            who=None if who is None else who.words,
            site=pack.where.site,
            at=None if pack.where.at is None else _time(pack.where.at, pack),
            accuracy_m=pack.where.accuracy_m,
            how_known=pack.where.how,
            due_out=None if pack.times.due_out_at is None else _time(pack.times.due_out_at, pack),
            made_at=_time(pack.now, pack),
            caution=pack.caution,
        )
    ]


def _search(pack: Pack) -> list[dict[str, Any]]:
    found = [
        _feature(
            _circle(picture),
            kind="search area",
            name=f"First search radius, {_time(picture.at, pack)}",
            words=picture.words,
            at=_time(picture.at, pack),
            radius_m=round(picture.radius_m),
            datum=list(_vertex(picture.datum)),
        )
        for picture in pack.pictures
    ]
    if pack.pictures:
        drift = _line(pack.pictures[-1].track)
        found.append(_feature(drift, kind="drift", name="Drift from the last known position", notes=pack.search_notes))
    return found


def _feature(geometry: Geometry | None, **properties: object) -> dict[str, Any]:
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _time(at: datetime, pack: Pack) -> str:
    return at.astimezone(ZoneInfo(pack.zone)).isoformat(timespec="seconds")


def _vertex(position: Position) -> Vertex:
    return round(position.lon, 6) + 0.0, round(position.lat, 6) + 0.0


def _point(position: Position) -> Geometry:
    return {"type": "Point", "coordinates": list(_vertex(position))}


def _line(track: Sequence[Position]) -> Geometry:
    """A line, cut where it crosses the date line."""
    vertices = _unwrapped(track)
    parts: list[list[Vertex]] = [[vertices[0]]]
    for one, two in pairwise(vertices):
        border = _border_between(one, two)
        if border is not None:
            crossing = _at_longitude(one, two, border)
            parts[-1].append(crossing)
            parts.append([crossing])
        parts[-1].append(two)
    lines = [_shifted(part) for part in parts]
    if len(lines) == 1:
        return {"type": "LineString", "coordinates": lines[0]}
    return {"type": "MultiLineString", "coordinates": lines}


def _circle(picture: Picture) -> Geometry | None:
    """The search area as a polygon of 64 corners; None where it holds a pole, which no such polygon can."""
    bearings = (_TURN - corner * _TURN / CORNERS for corner in range(CORNERS))  # against the clock
    corners = [destination(picture.datum, bearing, picture.radius_m) for bearing in bearings]
    ring = _unwrapped([*corners, corners[0]])
    if abs(ring[-1][0] - ring[0][0]) > _HALF_TURN:
        return None
    ring = ring[:-1]
    sides = [(lower, _clipped(ring, lower, lower + _TURN)) for lower in (-3 * _HALF_TURN, -_HALF_TURN, _HALF_TURN)]
    polygons = [[_closed(_shifted(part))] for _, part in sides if len(part) > 2]  # noqa: PLR2004
    if len(polygons) == 1:
        return {"type": "Polygon", "coordinates": polygons[0]}
    return {"type": "MultiPolygon", "coordinates": polygons}


def _closed(ring: list[Vertex]) -> list[Vertex]:
    return [*ring, ring[0]]


def _unwrapped(positions: Iterable[Position]) -> list[Vertex]:
    """Longitudes without a jump at the date line: each within half a turn of the one before."""
    found: list[Vertex] = []
    for position in positions:
        lon, lat = _vertex(position)
        if found:
            lon += _TURN * round((found[-1][0] - lon) / _TURN)
        found.append((lon, lat))
    return found


def _border_between(one: Vertex, two: Vertex) -> float | None:
    """The meridian of the date line that lies strictly between, as one of the two unwrapped longitudes has it."""
    west, east = sorted((one[0], two[0]))
    return next((border for border in (-_HALF_TURN, _HALF_TURN) if west < border < east), None)


def _at_longitude(one: Vertex, two: Vertex, lon: float) -> Vertex:
    part = (lon - one[0]) / (two[0] - one[0])
    return lon, round(one[1] + part * (two[1] - one[1]), 6)


def _shifted(part: Sequence[Vertex]) -> list[Vertex]:
    """The part with its longitudes from -180 to 180; it lies on one side of the date line."""
    middle = sum(lon for lon, _ in part) / len(part)
    turns = round(middle / _TURN)
    return [(round(lon - turns * _TURN, 6), lat) for lon, lat in part]


def _clipped(ring: Sequence[Vertex], west: float, east: float) -> list[Vertex]:
    """What of a ring lies between two meridians (the method of I. E. Sutherland and G. W. Hodgman, 1974)."""
    return _half(_half(ring, west, keep_east=True), east, keep_east=False)


def _half(ring: Sequence[Vertex], border: float, *, keep_east: bool) -> list[Vertex]:
    def inside(vertex: Vertex) -> bool:
        return vertex[0] >= border if keep_east else vertex[0] <= border

    kept: list[Vertex] = []
    for one, two in pairwise([*ring[-1:], *ring]):
        if inside(one) != inside(two):
            kept.append(_at_longitude(one, two, border))
        if inside(two):
            kept.append(two)
    return [vertex for vertex, before in zip(kept, [*kept[-1:], *kept], strict=False) if vertex != before]
