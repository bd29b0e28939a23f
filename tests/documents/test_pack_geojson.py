"""The pack as GeoJSON: the rules of RFC 7946, all over the globe, and the facts as plain properties."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.documents.pack_geojson import CORNERS, to_geojson
from service.domain.dive import commands as do
from service.domain.handover import Pack
from service.domain.place.geodesy import destination, distance_m
from service.domain.place.position import Position
from tests.domain.builders import at, contact
from tests.domain.rescue_dives import overdue_with_everything, overdue_with_nothing, pack_of

FULL = pack_of(overdue_with_everything())


def features(made: Pack) -> list[dict[str, Any]]:
    """The features of a document that is a collection and nothing else."""
    document = json.loads(to_geojson(made))
    assert set(document) == {"type", "features"}
    assert document["type"] == "FeatureCollection"
    return list(document["features"])


def of_kind(made: Pack, kind: str) -> list[dict[str, Any]]:
    """The features of one kind."""
    return [feature for feature in features(made) if feature["properties"]["kind"] == kind]


def rings(geometry: dict[str, Any]) -> list[list[list[float]]]:
    """The outer rings of a polygon or of several."""
    polygons = geometry["coordinates"] if geometry["type"] == "MultiPolygon" else [geometry["coordinates"]]
    return [polygon[0] for polygon in polygons]


def lines(geometry: dict[str, Any]) -> list[list[list[float]]]:
    """The lines of a line or of several."""
    return geometry["coordinates"] if geometry["type"] == "MultiLineString" else [geometry["coordinates"]]


def area(ring: list[list[float]]) -> float:
    """The signed area in square degrees; above zero for one that runs against the clock."""
    return sum(x1 * y2 - x2 * y1 for (x1, y1), (x2, y2) in pairwise(ring)) / 2


def moved(to: Position, radius_m: float, bearing_deg: float = 90, drift_m: float = 3000) -> Pack:
    """The pack with its search somewhere else."""
    track = tuple(destination(to, bearing_deg, step * drift_m / 4) for step in range(5))
    picture = replace(FULL.pictures[0], datum=track[-1], track=track, radius_m=radius_m)
    return replace(FULL, pictures=(picture,))


def test_every_kind_of_thing_is_a_feature() -> None:
    """The last known position first, then points, fixes, search areas and the drift."""
    kinds = [feature["properties"]["kind"] for feature in features(FULL)]

    assert kinds == [
        "last known position",
        *("entry", "exit", "exit", "exit", "vehicle_access", "parking", "meeting", "signal", "hazard"),
        "fix",
        *["search area"] * 4,
        "drift",
    ]


def test_the_facts_are_plain_properties() -> None:
    """Names that anybody understands who opens the file in a map."""
    first = features(FULL)[0]

    assert first["geometry"] == {"type": "Point", "coordinates": [-20.54402, 47.12251]}
    assert first["properties"] | {"caution": ""} == {
        "kind": "last known position",
        "name": "Overdue divers: Anna Holt, 2 divers",
        "reference": "7K",
        "exercise": False,
        "phase": "distress",
        "head_count": 2,
        "missing": 2,
        "divers": ["Anna Holt", "Bram Vik"],
        "who": "2 divers: Anna Holt, Bram Vik.",
        "site": "Lantern Cove (LANTERN)",
        "at": "2027-06-01T10:38:00+01:00",
        "accuracy_m": 30,
        "how_known": "by text from Anna Holt, 10:38 (54 min ago), good to 30 m",
        "due_out": "2027-06-01T10:50:00+01:00",
        "made_at": "2027-06-01T11:32:00+01:00",
        "caution": "",
    }


def test_the_search_circle_is_a_polygon_of_64_corners_against_the_clock() -> None:
    """RFC 7946, 3.1.6: closed, counter-clockwise; each corner lies on the radius."""
    picture = FULL.pictures[0]
    geometry = of_kind(FULL, "search area")[0]["geometry"]
    (ring,) = rings(geometry)

    assert geometry["type"] == "Polygon"
    assert len(ring) == CORNERS + 1
    assert ring[0] == ring[-1]
    assert area(ring) > 0
    for lon, lat in ring:
        assert distance_m(picture.datum, Position(lat, lon)) == pytest.approx(picture.radius_m, abs=0.2)


def test_without_a_position_the_facts_have_no_place() -> None:
    """RFC 7946, 3.2: the geometry of a feature without a place is null."""
    (only,) = features(pack_of(overdue_with_nothing()))

    assert only["geometry"] is None
    assert only["properties"]["at"] is None


def test_after_the_end_there_is_no_search() -> None:
    """Nobody is looked for any more."""
    story = overdue_with_everything()
    story.does(do.ReportSafe(contact(0), count=2), at(95))

    assert of_kind(pack_of(story, 96), "search area") == of_kind(pack_of(story, 96), "drift") == []


@pytest.mark.parametrize("lon", [179.99, -179.99])
def test_what_crosses_the_date_line_is_cut_there(lon: float) -> None:
    """RFC 7946, 3.1.9: two polygons, two lines, none of which goes around the world."""
    made = moved(Position(-17.0, lon), 5000, bearing_deg=90 if lon > 0 else 270)

    circle, drift = of_kind(made, "search area")[0]["geometry"], of_kind(made, "drift")[0]["geometry"]

    assert circle["type"] == "MultiPolygon"
    assert drift["type"] == "MultiLineString"
    assert len(rings(circle)) == len(lines(drift)) == 2
    assert {abs(vertex[0]) for line in lines(drift) for vertex in (line[-1], line[0])} >= {180.0}
    for part in (*rings(circle), *lines(drift)):
        assert max(x for x, _ in part) - min(x for x, _ in part) < 1


def test_around_a_pole_there_is_no_polygon() -> None:
    """No ring of longitude and latitude holds a pole; the datum and the radius are in the properties all the same."""
    (area_around,) = of_kind(moved(Position(89.999, 10), 5000, drift_m=0), "search area")

    assert area_around["geometry"] is None
    assert area_around["properties"]["radius_m"] == 5000


@given(
    lat=st.floats(-90, 90),
    lon=st.floats(-180, 180),
    radius_m=st.floats(300, 60_000),
    bearing=st.floats(0, 360),
)
def test_all_over_the_globe_it_keeps_the_rules(lat: float, lon: float, radius_m: float, bearing: float) -> None:
    """Positions on the globe, closed rings against the clock, lines of two points or more."""
    made = moved(Position(lat, lon), radius_m, bearing)

    circle, drift = of_kind(made, "search area")[0]["geometry"], of_kind(made, "drift")[0]["geometry"]

    for part in [*lines(drift), *([] if circle is None else rings(circle))]:
        assert all(-180 <= x <= 180 and -90 <= y <= 90 for x, y in part)
    assert all(len(line) >= 2 for line in lines(drift))
    if circle is not None:
        for ring in rings(circle):
            assert len(ring) >= 4
            assert ring[0] == ring[-1]
            assert area(ring) >= 0
    else:
        assert abs(lat) > 88


def test_a_name_with_a_broken_character_does_not_break_the_file() -> None:
    """What no encoding can hold is replaced."""
    assert json.loads(to_geojson(replace(FULL, names=("Anna \ud800",))))["features"]
