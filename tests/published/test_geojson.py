"""The examples of RFC 7946 (https://www.rfc-editor.org/rfc/rfc7946), sections 1.5 and 3.3 and appendix A.

Each is GeoJSON by the RFC. A site takes Points and one LineString of them, and refuses the other geometries by name.
"""

from __future__ import annotations

import json
from typing import Any

import pytest

from service.documents.site_geojson import from_geojson, to_geojson
from service.documents.site_reading import SiteFileError
from service.domain.place.position import Position

SITE = {"code": "EXAMPLE", "name": "Example"}

# Section 1.5: one of each of three geometries.
COLLECTION: dict[str, Any] = {
    "type": "FeatureCollection",
    "features": [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [102.0, 0.5]},
            "properties": {"prop0": "value0"},
        },
        {
            "type": "Feature",
            "geometry": {"type": "LineString", "coordinates": [[102.0, 0.0], [103.0, 1.0], [104.0, 0.0], [105.0, 1.0]]},
            "properties": {"prop0": "value0", "prop1": 0.0},
        },
        {
            "type": "Feature",
            "geometry": {
                "type": "Polygon",
                "coordinates": [[[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]],
            },
            "properties": {"prop0": "value0", "prop1": {"this": "that"}},
        },
    ],
}

# Appendix A.
POINT = {"type": "Point", "coordinates": [100.0, 0.0]}
LINE_STRING = {"type": "LineString", "coordinates": [[100.0, 0.0], [101.0, 1.0]]}
RING = [[100.0, 0.0], [101.0, 0.0], [101.0, 1.0], [100.0, 1.0], [100.0, 0.0]]
HOLE = [[100.8, 0.8], [100.8, 0.2], [100.2, 0.2], [100.2, 0.8], [100.8, 0.8]]
OTHERS = {
    "a polygon without holes": {"type": "Polygon", "coordinates": [RING]},
    "a polygon with holes": {"type": "Polygon", "coordinates": [RING, HOLE]},
    "several points": {"type": "MultiPoint", "coordinates": [[100.0, 0.0], [101.0, 1.0]]},
    "several lines": {
        "type": "MultiLineString",
        "coordinates": [[[100.0, 0.0], [101.0, 1.0]], [[102.0, 2.0], [103.0, 3.0]]],
    },
    "several polygons": {
        "type": "MultiPolygon",
        "coordinates": [[[[102.0, 2.0], [103.0, 2.0], [103.0, 3.0], [102.0, 3.0], [102.0, 2.0]]], [RING, HOLE]],
    },
    "a collection of geometries": {
        "type": "GeometryCollection",
        "geometries": [POINT, {"type": "LineString", "coordinates": [[101.0, 0.0], [102.0, 1.0]]}],
    },
}


def site_of(*features: tuple[dict[str, Any] | None, dict[str, Any]]) -> bytes:
    """A collection of these geometries with their properties."""
    listed = [{"type": "Feature", "geometry": geometry, "properties": words} for geometry, words in features]
    return json.dumps({"type": "FeatureCollection", "site": SITE, "features": listed}).encode()


def faults(data: bytes) -> dict[str, str]:
    """What is wrong with a file, by where."""
    with pytest.raises(SiteFileError) as refused:
        from_geojson(data)
    return {fault.where: fault.words for fault in refused.value.faults}


def test_the_point_of_the_appendix_is_a_point_of_a_site() -> None:
    """A.1: longitude 100, latitude 0 ("coordinates are in x, y order")."""
    site = from_geojson(site_of((POINT, {"kind": "entry", "name": "A"}))).site

    assert site.points[0].position == Position(lat=0, lon=100)
    assert json.loads(to_geojson(site))["features"][0]["geometry"] == POINT


def test_the_line_of_the_appendix_is_a_shoreline_as_far_as_it_is_one_place() -> None:
    """A.2 is 157 km long: good GeoJSON, and no site; its positions are read in their order all the same."""
    near = {"type": "LineString", "coordinates": [[100.0, 0.0], [100.1, 0.1]]}
    point = (POINT, {"kind": "entry", "name": "A"})

    assert from_geojson(site_of(point, (near, {"kind": "shoreline"}))).site.shoreline == (
        Position(lat=0, lon=100),
        Position(lat=0.1, lon=100.1),
    )
    found = faults(site_of(point, (LINE_STRING, {"kind": "shoreline"})))
    assert list(found) == ["feature 2 of 2"]
    assert "1.00000 N, 101.00000 E, 157 km from the rest of the site" in found["feature 2 of 2"]


@pytest.mark.parametrize("geometry", OTHERS.values(), ids=OTHERS)
def test_the_other_geometries_of_the_appendix_are_refused_by_name(geometry: dict[str, Any]) -> None:
    """A.3 to A.7: each is one entry that names the geometry."""
    data = site_of((POINT, {"kind": "entry", "name": "A"}), (geometry, {"kind": "hazard", "name": "B"}))

    assert faults(data) == {
        "feature 2 of 2 (B)": f"Its geometry is {geometry['type']}. A site has Points, and one LineString as shoreline."
    }


def test_the_collection_of_the_introduction_is_read_feature_by_feature() -> None:
    """1.5: it knows no site, its point has no name, its line is no shoreline, its polygon no geometry of a site."""
    found = faults(json.dumps(COLLECTION).encode())

    assert set(found) == {"feature 1 of 3", "feature 2 of 3", "feature 3 of 3", "site"}
    assert 'Give it a "name"' in found["feature 1 of 3"]
    assert "A line is the shoreline" in found["feature 2 of 3"]
    assert "Its geometry is Polygon" in found["feature 3 of 3"]


def test_members_of_others_are_let_be() -> None:
    """6.1: "title" beside a feature's own members is a foreign member, and so are the properties of 1.5."""
    parsed = json.loads(site_of((POINT, {"kind": "entry", "name": "A", "prop0": "value0"})))
    parsed["features"][0] |= {"id": "f1", "title": "Example Feature"}

    read = from_geojson(json.dumps(parsed).encode())

    assert len(read.site.points) == 1
    assert [note.words for note in read.left_out] == ['"prop0" is not known and was left out.']


def test_a_feature_without_a_place_is_unlocated() -> None:
    """3.2: geometry null."""
    point = (POINT, {"kind": "entry", "name": "A"})

    assert from_geojson(site_of(point, (None, {"kind": "exit", "name": "B"}))).site.points[1].position is None


def test_the_features_of_the_date_line_keep_their_longitudes() -> None:
    """3.1.9: nothing goes beyond 180, so a line across the date line is cut there by who writes it."""
    beyond = {"type": "LineString", "coordinates": [[170.0, 45.0], [190.0, 45.0]]}

    found = faults(
        site_of(
            ({"type": "Point", "coordinates": [170.0, 45.0]}, {"kind": "entry", "name": "A"}),
            (beyond, {"kind": "shoreline"}),
        )
    )

    assert "longitude 190 is impossible" in found["feature 2 of 2"]
