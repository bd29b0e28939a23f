"""A site as GeoJSON (RFC 7946): one FeatureCollection for one site.

Its points are features with a Point (or with no geometry, where the position is not known: section 3.2) and properties
kind, name, ease, notes, vehicles and window; the shoreline is a LineString of kind "shoreline"; the site itself is the
collection's member "site", a foreign member in the sense of section 6.1.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from typing import Any, NoReturn

from service.documents.site_checks import check_names, check_places
from service.documents.site_reading import (
    FEATURES_MAX,
    FILE,
    LINE_POSITIONS_MAX,
    SHORELINE,
    SITE,
    Fault,
    Findings,
    SiteFileError,
    SiteRead,
    is_number,
    place_in,
    read_place,
    read_point,
    read_site,
    refuse_size,
)
from service.domain.place.club_site import ClubSite
from service.domain.place.position import Position
from service.domain.place.site import SitePoint

MEDIA_TYPE = "application/geo+json"

PLACES = 6  # a tenth of a metre
_BOM = b"\xef\xbb\xbf"
_LON_LAT = 2
_LINE_LEAST = 2
_ORDER = "In GeoJSON the longitude comes first."
_PROPERTIES = frozenset({"kind", "name", "ease", "notes", "vehicles", "window"})
_SITE_MEMBERS = frozenset(
    {"code", "name", "position", "aliases", "zone", "rescue_call", "non_emergency_call", "access", "notes", "current"}
)

Json = dict[str, Any]


def to_geojson(site: ClubSite) -> bytes:
    """The whole document in UTF-8, positions to six places."""
    collection = {
        "type": "FeatureCollection",
        "site": _site(site),
        "features": [*map(_point_feature, site.points), *_shoreline(site.shoreline)],
    }
    return (json.dumps(collection, ensure_ascii=False, indent=1) + "\n").encode(errors="replace")


def _site(site: ClubSite) -> Json:
    members = {
        "code": site.code,
        "name": site.name,
        "position": _lon_lat(site.position),
        "aliases": list(site.aliases),
        "zone": site.zone,
        "rescue_call": site.rescue_call,
        "non_emergency_call": site.non_emergency_call,
        "access": site.access,
        "notes": site.notes,
        "current": None if site.current is None else asdict(site.current),
    }
    return _given(members)


def _point_feature(point: SitePoint) -> Json:
    window = None if point.window is None else _given(asdict(point.window))
    properties = {
        "kind": point.kind.value,
        "name": point.name,
        "ease": point.ease,
        "notes": point.notes,
        "vehicles": point.vehicles or None,
        "window": window,
    }
    geometry = None if point.position is None else {"type": "Point", "coordinates": _lon_lat(point.position)}
    return {"type": "Feature", "geometry": geometry, "properties": _given(properties)}


def _shoreline(line: tuple[Position, ...]) -> list[Json]:
    if not line:
        return []
    geometry = {"type": "LineString", "coordinates": [_lon_lat(position) for position in line]}
    return [{"type": "Feature", "geometry": geometry, "properties": {"kind": SHORELINE}}]


def _given(members: Json) -> Json:
    return {name: value for name, value in members.items() if value is not None and value != []}


def _lon_lat(position: Position) -> list[float]:
    # Adding nought turns a rounded -0.0 into 0.0.
    return [round(position.lon, PLACES) + 0.0, round(position.lat, PLACES) + 0.0]


def from_geojson(data: bytes, code: str | None = None) -> SiteRead:
    """The site of a file. Raises SiteFileError with every fault, one entry for each bad feature.

    `code` is the site that is meant: for a file that names none, and to refuse one that names another.
    """
    refuse_size(data)
    collection, findings = _collection(_parsed(data)), Findings()
    features = collection["features"]
    points: list[tuple[str, SitePoint]] = []
    lines: list[tuple[str, tuple[Position, ...]]] = []
    for index, feature in enumerate(features):
        where = place_in("feature", index, len(features), _name_of(feature))
        _read_feature(feature, where, points, lines, findings)
    for where, _ in lines[1:]:
        findings.fault(where, "A site has one shoreline: join the lines or leave this one out.")
    raw = _members(collection.get("site", {}), findings)
    position = _position(raw["position"], SITE, findings) if raw.get("position") is not None else None
    line = lines[0][1] if lines else ()
    check_names(points, findings)
    placed = [(where, point.position) for where, point in points if point.position is not None]
    placed += [(where, place) for where, along in lines for place in along]
    check_places([*placed, *([(SITE, position)] if position else [])], _ORDER, findings)
    site = read_site(raw, [point for _, point in points], line, position, findings, code)
    if site is None or findings.faults:
        raise SiteFileError(findings.faults)
    return SiteRead(site, findings.left_out)


def _refuse(words: str) -> NoReturn:
    raise SiteFileError([Fault(FILE, words)])


def _parsed(data: bytes) -> object:
    """The JSON value of a file (RFC 8259), strictly: no byte order mark, no NaN, no name twice in one object."""
    if data.startswith(_BOM):
        _refuse("It begins with a byte order mark. Save it as UTF-8 without one.")
    try:
        return json.loads(data.decode(), object_pairs_hook=_once_each, parse_constant=_refuse_constant)
    except UnicodeDecodeError:
        _refuse("It is not UTF-8. Save it as UTF-8.")
    except RecursionError:
        _refuse("It is nested too deep to be GeoJSON.")
    except json.JSONDecodeError as error:
        _refuse(f"It is not JSON: {error.msg.lower()} in line {error.lineno}, column {error.colno}.")
    except ValueError as error:
        _refuse(f"It is not JSON that can be read: {error}.")


def _once_each(pairs: list[tuple[str, object]]) -> Json:
    members: Json = {}
    for name, value in pairs:
        if name in members:
            _refuse(f'It has the member "{name[:20]}" twice in one object. Leave one of them out.')
        members[name] = value
    return members


def _refuse_constant(name: str) -> NoReturn:
    _refuse(f"It holds {name}, which is no number. Correct it.")


def _collection(parsed: object) -> Json:
    """The FeatureCollection, with a list of features that is not too long."""
    if not isinstance(parsed, dict) or parsed.get("type") != "FeatureCollection":
        found = parsed.get("type") if isinstance(parsed, dict) else None
        shown = f"a {found[:20]}" if isinstance(found, str) else "none"
        _refuse(f"One site is one GeoJSON FeatureCollection, and this is {shown}. Put its features into one.")
    if not isinstance(parsed.get("features"), list):
        _refuse('A FeatureCollection has a list named "features".')
    if "crs" in parsed:
        _refuse('Positions are on WGS84 (RFC 7946, section 4). Save it that way, without the member "crs".')
    if {"coordinates", "geometries", "geometry", "properties"} & set(parsed):
        _refuse("A FeatureCollection has no geometry or properties of its own (RFC 7946, section 7.1).")
    if len(parsed["features"]) > FEATURES_MAX:
        _refuse(f"It has more than {FEATURES_MAX} features. A site needs far fewer.")
    return parsed


def _members(given: object, findings: Findings) -> Mapping[str, Any]:
    if not isinstance(given, dict):
        findings.fault(SITE, 'The member "site" holds code, name and the rest of the site.')
        return {}
    _leave_out(set(given) - _SITE_MEMBERS, SITE, findings)
    return given


def _leave_out(unknown: Iterable[str], where: str, findings: Findings) -> None:
    for name in sorted(unknown):
        findings.leave_out(where, f'"{name[:40]}" is not known and was left out.')


def _name_of(feature: object) -> object:
    properties = feature.get("properties") if isinstance(feature, dict) else None
    return properties.get("name") if isinstance(properties, dict) else None


def _read_feature(
    feature: object,
    where: str,
    points: list[tuple[str, SitePoint]],
    lines: list[tuple[str, tuple[Position, ...]]],
    findings: Findings,
) -> None:
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        findings.fault(where, 'It is no Feature: give it "type": "Feature".')
        return
    if not {"geometry", "properties"} <= set(feature):
        findings.fault(where, 'A Feature has the members "geometry" and "properties" (RFC 7946, section 3.2).')
        return
    if {"coordinates", "geometries", "features"} & set(feature):
        findings.fault(where, "A Feature has its coordinates in its geometry (RFC 7946, section 7.1).")
        return
    geometry, properties = feature["geometry"], feature["properties"] or {}
    if not isinstance(properties, dict) or not isinstance(geometry, dict | None):
        findings.fault(where, 'Its "geometry" and "properties" are objects, or null.')
        return
    kind = geometry.get("type") if geometry else "Point"
    if kind == "LineString" and geometry:
        _read_line(geometry, properties, where, lines, findings)
    elif kind == "Point":
        _read_point(geometry, properties, where, points, findings)
    else:
        shown = kind[:20] if isinstance(kind, str) else "without a type"
        findings.fault(where, f"Its geometry is {shown}. A site has Points, and one LineString as shoreline.")


def _read_point(
    geometry: Json | None, properties: Json, where: str, points: list[tuple[str, SitePoint]], findings: Findings
) -> None:
    _leave_out(set(properties) - _PROPERTIES, where, findings)
    position = None if geometry is None else _position(geometry.get("coordinates"), where, findings)
    point = read_point(properties, position, where, findings)
    if point is not None:
        points.append((where, point))


def _read_line(
    geometry: Json, properties: Json, where: str, lines: list[tuple[str, tuple[Position, ...]]], findings: Findings
) -> None:
    _leave_out(set(properties) - {"kind", "name"}, where, findings)
    if properties.get("kind") != SHORELINE:
        findings.fault(where, f'A line is the shoreline: give it the kind "{SHORELINE}", or leave it out.')
        return
    coordinates = geometry.get("coordinates")
    if not isinstance(coordinates, list) or not _LINE_LEAST <= len(coordinates) <= LINE_POSITIONS_MAX:
        findings.fault(where, f"A line has {_LINE_LEAST} to {LINE_POSITIONS_MAX} positions.")
        return
    line = []
    for one in coordinates:
        position = _position(one, where, findings)
        if position is None:
            return  # one sentence about a line that is wrong is enough
        line.append(position)
    lines.append((where, tuple(line)))


def _position(given: object, where: str, findings: Findings) -> Position | None:
    """Longitude, latitude and, left out, a height (section 3.1.1)."""
    if not isinstance(given, list) or len(given) < _LON_LAT or not all(map(is_number, given)):
        findings.fault(where, "A position is a list of numbers, longitude first: [-20.54321, 47.12345].")
        return None
    if len(given) > _LON_LAT:
        findings.leave_out(where, "Heights were left out.")
    return read_place(given[1], given[0], where, findings)
