"""A site as GPX 1.1 (Topografix, 2004), for receivers, plotters and maps.

A point is a waypoint: `name`, `desc` for its notes, `type` for its kind; ease, tide window and vehicle access are in
its extensions, in a namespace of our own. The shoreline is a route (a track is read too). The site's details, and
points whose position is not known and that can be no waypoint, are in the extensions of the metadata.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import asdict
from decimal import Decimal
from typing import NoReturn
from xml.etree import ElementTree as ET

from defusedxml import DTDForbidden, EntitiesForbidden, ExternalReferenceForbidden
from defusedxml.ElementTree import fromstring

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
    place_in,
    read_place,
    read_point,
    read_site,
    refuse_size,
)
from service.documents.xml_text import child, document, legal
from service.domain.place.club_site import ClubSite
from service.domain.place.position import Position
from service.domain.place.site import SitePoint

MEDIA_TYPE = "application/gpx+xml"
NAMESPACE = "http://www.topografix.com/GPX/1/1"
OURS = "urn:x-linetender:site:1"

_GPX = f"{{{NAMESPACE}}}"
_OURS = f"{{{OURS}}}"
_OLD = "http://www.topografix.com/GPX/1/0"
_DECIMAL = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)")  # xsd:decimal
_WHOLE = re.compile(r"\d{1,9}")
_LINE_LEAST = 2
_ORDER = 'In GPX each position has "lat" and "lon" by name.'
_DETAILS = ("code", "zone", "rescue_call", "non_emergency_call", "access", "notes")

Fields = dict[str, object]


def to_gpx(site: ClubSite) -> bytes:
    """The whole document, positions to six places."""
    gpx = ET.Element("gpx", {"xmlns": NAMESPACE, "xmlns:lt": OURS, "version": "1.1", "creator": "Linetender"})
    metadata = child(gpx, "metadata")
    child(metadata, "name", site.name)
    _put_site(child(metadata, "extensions"), site)
    for point in site.points:
        if point.position is not None:
            _put_waypoint(gpx, point, point.position)
    if site.shoreline:
        route = child(gpx, "rte")
        child(route, "name", "Shoreline")
        child(route, "type", SHORELINE)
        for position in site.shoreline:
            child(route, "rtept", **_degrees(position))
    return document(gpx)


def _put_site(parent: ET.Element, site: ClubSite) -> None:
    details = {name: value for name in _DETAILS if (value := getattr(site, name)) is not None}
    element = child(parent, "lt:site", **details, **_degrees(site.position))
    for alias in site.aliases:
        child(element, "lt:alias", alias)
    if site.current is not None:
        child(element, "lt:current", **_numbers(asdict(site.current)))
    for place, point in enumerate(site.points):
        if point.position is None:
            unlocated = _put_point(element, point)
            for name, value in (
                ("kind", point.kind),
                ("name", point.name),
                ("place", str(place)),
                ("notes", point.notes),
            ):
                if value is not None:
                    unlocated.set(name, legal(value))


def _put_waypoint(gpx: ET.Element, point: SitePoint, position: Position) -> None:
    """The schema wants name, desc, type and extensions in this order."""
    waypoint = child(gpx, "wpt", **_degrees(position))
    child(waypoint, "name", point.name)
    if point.notes is not None:
        child(waypoint, "desc", point.notes)
    child(waypoint, "type", point.kind.value)
    if point.ease is not None or point.vehicles or point.window is not None:
        _put_point(child(waypoint, "extensions"), point)


def _put_point(parent: ET.Element, point: SitePoint) -> ET.Element:
    element = child(parent, "lt:point")
    if point.ease is not None:
        element.set("ease", str(point.ease))
    if point.vehicles:
        element.set("vehicles", "true")
    if point.window is not None:
        child(element, "lt:window", **_numbers(asdict(point.window)))
    return element


def _numbers(given: Mapping[str, float | None]) -> dict[str, str]:
    """Exactly, and without an exponent, which a decimal of XML has not."""
    return {name: f"{Decimal(repr(float(value))):f}" for name, value in given.items() if value is not None}


def _degrees(position: Position) -> dict[str, str]:
    """The schema has no longitude of 180 east, which is that of 180 west."""
    lon = round(position.lon, 6)
    return {"lat": f"{position.lat + 0.0:.6f}", "lon": f"{(-180.0 if lon == 180 else lon) + 0.0:.6f}"}  # noqa: PLR2004


def from_gpx(data: bytes, code: str | None = None) -> SiteRead:
    """The site of a file. Raises SiteFileError with every fault, one entry for each bad feature.

    `code` is the site that is meant: for a file that names none, and to refuse one that names another.
    """
    refuse_size(data)
    gpx, findings = _root(data), Findings()
    waypoints = gpx.findall(f"{_GPX}wpt")
    if len(waypoints) > FEATURES_MAX:
        _refuse(f"It has more than {FEATURES_MAX} waypoints. A site needs far fewer.")
    points: list[tuple[str, SitePoint]] = []
    for index, waypoint in enumerate(waypoints):
        where = place_in("waypoint", index, len(waypoints), _text(waypoint, "name"))
        _read_waypoint(waypoint, where, points, findings)
    line_where, line = _shoreline(gpx, findings)
    element = gpx.find(f"{_GPX}metadata/{_GPX}extensions/{_OURS}site")
    raw, position = _site_fields(gpx, element, findings)
    if element is not None:
        _put_in_unlocated(element, points, findings)
    check_names(points, findings)
    placed = [(where, point.position) for where, point in points if point.position is not None]
    placed += [(line_where, place) for place in line]
    check_places([*placed, *([(SITE, position)] if position else [])], _ORDER, findings)
    site = read_site(raw, [point for _, point in points], line, position, findings, code)
    if site is None or findings.faults:
        raise SiteFileError(findings.faults)
    return SiteRead(site, findings.left_out)


def _refuse(words: str) -> NoReturn:
    raise SiteFileError([Fault(FILE, words)])


def _root(data: bytes) -> ET.Element:
    """The gpx element, read without any entity or reference of the file being followed."""
    try:
        root: ET.Element = fromstring(data, forbid_dtd=True)
    except (DTDForbidden, EntitiesForbidden, ExternalReferenceForbidden):
        _refuse("It declares a document type or entities, which are not read. Save it without.")
    except (ET.ParseError, ValueError, LookupError) as error:
        _refuse(f"It is not XML that can be read: {error}.")
    if root.tag == f"{{{_OLD}}}gpx":
        _refuse("It is GPX 1.0. Save it as GPX 1.1.")
    if root.tag != f"{_GPX}gpx":
        _refuse("It is not GPX 1.1: its first element is another one.")
    return root


def _text(element: ET.Element, name: str) -> str | None:
    return element.findtext(f"{_GPX}{name}")


def _read_waypoint(waypoint: ET.Element, where: str, points: list[tuple[str, SitePoint]], findings: Findings) -> None:
    kind = (_text(waypoint, "type") or "").strip().lower().replace(" ", "_")
    raw: Fields = {"kind": kind or None, "name": _text(waypoint, "name"), "notes": _text(waypoint, "desc")}
    ours = waypoint.find(f"{_GPX}extensions/{_OURS}point")
    position = _position(waypoint, where, findings)
    point = read_point(raw | _point_fields(ours), position, where, findings)
    if point is not None:
        points.append((where, point))


def _point_fields(ours: ET.Element | None) -> Fields:
    """What our extension says of a point; a value that is no number or truth stays text, which is then refused."""
    if ours is None:
        return {}
    ease, vehicles, window = ours.get("ease"), ours.get("vehicles"), ours.find(f"{_OURS}window")
    return {
        "ease": int(ease) if ease is not None and _WHOLE.fullmatch(ease) else ease,
        "vehicles": {"true": True, "1": True, "false": False, "0": False}.get(vehicles or "false", vehicles),
        "window": None if window is None else _as_numbers(window.attrib),
    }


def _as_numbers(attributes: Mapping[str, str]) -> Fields:
    return {name: float(value) if _DECIMAL.fullmatch(value) else value for name, value in attributes.items()}


def _position(element: ET.Element, where: str, findings: Findings) -> Position | None:
    lat, lon = element.get("lat", ""), element.get("lon", "")
    if not (_DECIMAL.fullmatch(lat.strip()) and _DECIMAL.fullmatch(lon.strip())):
        findings.fault(where, 'It needs "lat" and "lon" in decimal degrees, such as lat="47.12345" lon="-20.54321".')
        return None
    return read_place(float(lat), float(lon), where, findings)


def _lines(gpx: ET.Element) -> Iterator[tuple[str, ET.Element, list[ET.Element]]]:
    """Routes and tracks, with where they are and their positions."""
    for what, name, path in (("route", "rte", f"{_GPX}rtept"), ("track", "trk", f"{_GPX}trkseg/{_GPX}trkpt")):
        found = gpx.findall(f"{_GPX}{name}")
        for index, element in enumerate(found):
            yield place_in(what, index, len(found), _text(element, "name")), element, element.findall(path)


def _shoreline(gpx: ET.Element, findings: Findings) -> tuple[str, tuple[Position, ...]]:
    """The one line that is the shoreline, by its type or because it has none; others are left out, and said so."""
    lines: list[tuple[str, list[ET.Element]]] = []
    for where, element, along in _lines(gpx):
        kind = (_text(element, "type") or SHORELINE).strip().lower()
        if kind == SHORELINE:
            lines.append((where, along))
        else:
            findings.leave_out(where, f'It is of type "{kind[:20]}", not "{SHORELINE}", and was left out.')
    for where, _ in lines[1:]:
        findings.fault(
            where, f'A site has one shoreline: join the lines, or give this one another type than "{SHORELINE}".'
        )
    if not lines:
        return SHORELINE, ()
    where, along = lines[0]
    if not _LINE_LEAST <= len(along) <= LINE_POSITIONS_MAX:
        findings.fault(where, f"A line has {_LINE_LEAST} to {LINE_POSITIONS_MAX} positions.")
        return where, ()
    return where, tuple(_until_wrong(along, where, findings))


def _until_wrong(along: Iterable[ET.Element], where: str, findings: Findings) -> Iterator[Position]:
    """One sentence about a line that is wrong is enough."""
    for element in along:
        position = _position(element, where, findings)
        if position is None:
            return
        yield position


def _site_fields(gpx: ET.Element, element: ET.Element | None, findings: Findings) -> tuple[Fields, Position | None]:
    name = gpx.findtext(f"{_GPX}metadata/{_GPX}name")
    if element is None:
        return {"name": name}, None
    current = element.find(f"{_OURS}current")
    raw: Fields = {key: value for key, value in element.attrib.items() if key in _DETAILS}
    raw |= {
        "name": name,
        "aliases": [alias.text or "" for alias in element.findall(f"{_OURS}alias")],
        "current": None if current is None else _as_numbers(current.attrib),
    }
    has_position = element.get("lat") is not None or element.get("lon") is not None
    return raw, _position(element, SITE, findings) if has_position else None


def _put_in_unlocated(element: ET.Element, points: list[tuple[str, SitePoint]], findings: Findings) -> None:
    """Points without a position go back to their places in the order, which says which exit is the best."""
    unlocated = element.findall(f"{_OURS}point")
    for index, one in enumerate(unlocated[:FEATURES_MAX]):
        where = place_in("point without position", index, len(unlocated), one.get("name"))
        raw: Fields = {name: one.get(name) for name in ("kind", "name", "notes")}
        point = read_point(raw | _point_fields(one), None, where, findings)
        place = one.get("place", "")
        if point is not None:
            points.insert(int(place) if _WHOLE.fullmatch(place) else len(points), (where, point))
