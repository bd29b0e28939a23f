"""The rules of RFC 7946 that a document of points and lines can break, each with its section."""

from __future__ import annotations

import json
from typing import Any

GEOMETRIES = {"Point", "MultiPoint", "LineString", "MultiLineString", "Polygon", "MultiPolygon", "GeometryCollection"}


def breaches(data: bytes) -> list[str]:
    """What breaks a rule; empty for good GeoJSON."""
    if data.startswith(b"\xef\xbb\xbf"):
        return ["a byte order mark (RFC 8259, 8.1)"]
    document = json.loads(data.decode("utf-8"), parse_constant=lambda name: name)  # a text is no number below
    if not isinstance(document, dict) or document.get("type") != "FeatureCollection":
        return ["no FeatureCollection (3.3)"]
    if not isinstance(document.get("features"), list):
        return ["no list of features (3.3)"]
    found = [
        f"member {name} (7.1)" for name in ("coordinates", "geometries", "geometry", "properties") if name in document
    ]
    found += ["a crs (4)"] if "crs" in document else []
    return found + [breach for feature in document["features"] for breach in _of_feature(feature)]


def _of_feature(feature: Any) -> list[str]:
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        return ["no Feature (3.2)"]
    if not {"geometry", "properties"} <= set(feature):
        return ["no geometry or no properties (3.2)"]
    found = [f"member {name} (7.1)" for name in ("coordinates", "geometries", "features") if name in feature]
    if not isinstance(feature["properties"], dict | None):
        found.append("properties that are no object (3.2)")
    return found if feature["geometry"] is None else found + _of_geometry(feature["geometry"])


def _of_geometry(geometry: Any) -> list[str]:
    if not isinstance(geometry, dict) or geometry.get("type") not in GEOMETRIES:
        return ["no geometry of the seven (1.4)"]
    coordinates = geometry.get("coordinates")
    if geometry["type"] == "Point":
        return _of_position(coordinates)
    if geometry["type"] == "LineString":
        if not isinstance(coordinates, list) or len(coordinates) < 2:
            return ["a line of fewer than two positions (3.1.4)"]
        return [breach for position in coordinates for breach in _of_position(position)]
    return [f"a {geometry['type']}, which these rules do not cover"]


def _of_position(position: Any) -> list[str]:
    if not isinstance(position, list) or len(position) not in (2, 3):
        return ["a position of other than two or three elements (3.1.1)"]
    if not all(isinstance(one, int | float) and not isinstance(one, bool) for one in position):
        return ["a position that is no numbers (3.1.1)"]
    lon, lat = position[:2]
    return [] if -180 <= lon <= 180 and -90 <= lat <= 90 else ["a position off the globe (3.1.1, 4)"]
