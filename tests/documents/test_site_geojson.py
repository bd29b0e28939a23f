"""Sites as GeoJSON: written by the rules of RFC 7946, read back whole, and refused fault by fault."""

from __future__ import annotations

import json
import time
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.documents.site_geojson import from_geojson, to_geojson
from service.documents.site_reading import FEATURES_MAX, FILE_BYTES_MAX, SiteFileError
from service.domain.place.club_site import ClubSite
from service.domain.place.position import Position
from tests.documents.geojson_rules import breaches
from tests.documents.site_examples import COVE, SITE, club_sites

Document = dict[str, Any]
Change = Callable[[Document], object]


def document() -> Document:
    """The example as it is written."""
    parsed: Document = json.loads(to_geojson(SITE))
    return parsed


def encoded(parsed: object) -> bytes:
    """As a file."""
    return json.dumps(parsed).encode()


def faults(data: bytes, code: str | None = None) -> list[tuple[str, str]]:
    """What is wrong with a file, by where."""
    with pytest.raises(SiteFileError) as refused:
        from_geojson(data, code)
    assert refused.value.faults
    return [(fault.where, fault.words) for fault in refused.value.faults]


def changed(change: Change) -> bytes:
    """The example after a change."""
    parsed = document()
    change(parsed)
    return encoded(parsed)


def feature(parsed: Document, index: int) -> Document:
    """One of its features."""
    found: Document = parsed["features"][index]
    return found


def properties(parsed: Document, index: int) -> Document:
    """The properties of one of its features."""
    found: Document = feature(parsed, index)["properties"]
    return found


def test_the_example_is_written_as_described() -> None:
    """One collection, longitude first, what is not known left out, the site as a member of the collection."""
    written = document()

    assert written["type"] == "FeatureCollection"
    assert written["site"]["code"] == "LANTERN"
    assert written["site"]["position"] == [-20.54321, 47.12345]
    assert written["site"]["current"] == {"set_deg": 70.0, "drift_kn": 0.5}
    assert written["features"][0] == {
        "type": "Feature",
        "geometry": {"type": "Point", "coordinates": [-20.54321, 47.12345]},
        "properties": {"kind": "entry", "name": "East beach", "ease": 5},
    }
    assert written["features"][1] == {
        "type": "Feature",
        "geometry": None,
        "properties": {"kind": "exit", "name": "Ladder"},
    }
    assert written["features"][2]["properties"]["window"] == {
        "min_height_m": 1.2,
        "before_high_h": 3.0,
        "after_high_h": 2.5,
    }
    assert written["features"][3]["properties"]["vehicles"] is True
    assert written["features"][-1]["geometry"]["type"] == "LineString"


def test_the_example_comes_back_whole() -> None:
    """Nothing is lost and nothing is left out."""
    read = from_geojson(to_geojson(SITE))

    assert read.site == SITE
    assert read.left_out == ()


@given(club_sites())
def test_any_site_is_written_by_the_rules_and_comes_back_whole(site: ClubSite) -> None:
    """All over the globe, poles and date line included."""
    written = to_geojson(site)

    assert breaches(written) == []
    assert from_geojson(written).site == site


def test_a_file_of_another_program_may_say_less() -> None:
    """Without zone, calls and position the first entry is the site's, and the rest is for the club to fill in."""
    features = document()["features"]

    site = from_geojson(
        encoded({"type": "FeatureCollection", "site": {"code": "cove", "name": "Cove"}, "features": features})
    ).site

    assert (site.code, site.position, site.zone, site.rescue_call) == ("COVE", COVE, None, None)


def test_what_is_not_known_is_left_out_and_said() -> None:
    """Colours of a map program and heights do no harm, and a mistyped name shows."""

    def change(parsed: Document) -> None:
        properties(parsed, 0)["marker-color"] = "red"
        properties(parsed, 2)["eease"] = 3
        parsed["site"]["depth"] = 18
        for place in parsed["features"][-1]["geometry"]["coordinates"]:
            place.append(0.5)

    read = from_geojson(changed(change))

    assert read.site == SITE
    assert [(one.where, one.words) for one in read.left_out] == [
        ("feature 1 of 6 (East beach)", '"marker-color" is not known and was left out.'),
        ("feature 3 of 6 (West steps)", '"eease" is not known and was left out.'),
        ("feature 6 of 6", "Heights were left out."),
        ("site", '"depth" is not known and was left out.'),
    ]


def test_the_code_that_is_meant_fills_in_and_is_held_against_the_file() -> None:
    """A file for another site must not land on this one."""
    nameless = changed(lambda parsed: parsed["site"].pop("code"))

    assert from_geojson(nameless, "slip").site.code == "SLIP"
    assert from_geojson(to_geojson(SITE), "lantern").site == SITE
    assert faults(to_geojson(SITE), "slip") == [("site", 'It is "LANTERN", and SLIP is meant. Change one of the two.')]


STEPS = "feature 3 of 6 (West steps)"
POLYGON = {"type": "Polygon", "coordinates": [[[0, 0], [9, 0], [9, 9], [0, 0]], [[2, 1], [3, 1], [3, 2], [2, 1]]]}
BAD: dict[str, tuple[Change, str, str]] = {
    "no name": (lambda d: properties(d, 2).pop("name"), "feature 3 of 6", 'Give it a "name"'),
    "a blank name": (lambda d: properties(d, 2).update(name=" "), "feature 3 of 6", 'Give it a "name"'),
    "a long name": (
        lambda d: properties(d, 2).update(name="x" * 61),
        "feature 3 of 6 (" + "x" * 60 + ")",
        "longer than 60",
    ),
    "a name that is a number": (lambda d: properties(d, 2).update(name=7), "feature 3 of 6", '"name" is text'),
    "a name of control characters": (
        lambda d: properties(d, 2).update(name="a\x07b"),
        "feature 3 of 6 (ab)",
        "no document",
    ),
    "half a letter": (lambda d: properties(d, 2).update(notes="\ud800"), STEPS, "no document"),
    "no kind": (lambda d: properties(d, 2).pop("kind"), STEPS, "one of entry, exit,"),
    "an unknown kind": (lambda d: properties(d, 2).update(kind="door"), STEPS, '"door" is none of them'),
    "ease of six": (lambda d: properties(d, 2).update(ease=6), STEPS, "from 1, hard, to 5, easy"),
    "ease of nought": (lambda d: properties(d, 2).update(ease=0), STEPS, "from 1, hard, to 5, easy"),
    "ease of true": (lambda d: properties(d, 2).update(ease=True), STEPS, "from 1, hard, to 5, easy"),
    "ease of one and a half": (lambda d: properties(d, 2).update(ease=1.5), STEPS, "from 1, hard, to 5, easy"),
    "vehicles of one": (lambda d: properties(d, 2).update(vehicles=1), STEPS, "true where an emergency vehicle"),
    "vehicles in words": (lambda d: properties(d, 2).update(vehicles="yes"), STEPS, "true where an emergency vehicle"),
    "a window that is a list": (lambda d: properties(d, 2).update(window=[1]), STEPS, '"window" holds nothing but'),
    "a window of other names": (
        lambda d: properties(d, 2).update(window={"from": 1}),
        STEPS,
        '"window" holds nothing but',
    ),
    "a window of words": (
        lambda d: properties(d, 2).update(window={"min_height_m": "low"}),
        STEPS,
        '"window" holds nothing but',
    ),
    "a window no tide meets": (
        lambda d: properties(d, 2).update(window={"min_height_m": 3, "max_height_m": 1}),
        STEPS,
        "above its upper one",
    ),
    "notes too long": (lambda d: properties(d, 2).update(notes="x" * 301), STEPS, "longer than 300"),
    "a polygon with a hole": (lambda d: feature(d, 2).update(geometry=POLYGON), STEPS, "geometry is Polygon"),
    "a geometry without a type": (
        lambda d: feature(d, 2).update(geometry={"coordinates": [1, 2]}),
        STEPS,
        "without a type",
    ),
    "a geometry that is a list": (lambda d: feature(d, 2).update(geometry=[1, 2]), STEPS, "are objects, or null"),
    "properties that are a list": (
        lambda d: feature(d, 2).update(properties=[1]),
        "feature 3 of 6",
        "are objects, or null",
    ),
    "a geometry missing": (lambda d: feature(d, 2).pop("geometry"), STEPS, "section 3.2"),
    "coordinates beside the geometry": (lambda d: feature(d, 2).update(coordinates=[1, 2]), STEPS, "section 7.1"),
    "no feature": (lambda d: d["features"].__setitem__(2, 7), "feature 3 of 6", "It is no Feature"),
    "a feature of another type": (lambda d: feature(d, 2).update(type="Thing"), STEPS, "It is no Feature"),
    "no numbers": (lambda d: feature(d, 2)["geometry"].update(coordinates=["a", "b"]), STEPS, "longitude first"),
    "one number": (lambda d: feature(d, 2)["geometry"].update(coordinates=[1]), STEPS, "longitude first"),
    "true for a number": (lambda d: feature(d, 2)["geometry"].update(coordinates=[True, 1]), STEPS, "longitude first"),
    "latitude 91": (
        lambda d: feature(d, 2)["geometry"].update(coordinates=[-20, 91]),
        STEPS,
        "latitude 91 is impossible",
    ),
    "longitude 181": (
        lambda d: feature(d, 2)["geometry"].update(coordinates=[181, 47]),
        STEPS,
        "longitude 181 is impossible",
    ),
    "swapped": (
        lambda d: feature(d, 2)["geometry"].update(coordinates=[47.12301, -20.5461]),
        STEPS,
        "the other way round it would be 47.12301 N, 20.54610 W, which is near. In GeoJSON the longitude comes first.",
    ),
    "elsewhere": (
        lambda d: feature(d, 2)["geometry"].update(coordinates=[-21.5, 47.12]),
        STEPS,
        "from the rest of the site",
    ),
    "a name twice": (
        lambda d: properties(d, 2).update(name="LADDER"),
        "feature 3 of 6 (LADDER)",
        "of that name already",
    ),
    "a second line": (lambda d: d["features"].append(feature(d, 5)), "feature 7 of 7", "one shoreline"),
    "a line that is no shoreline": (
        lambda d: properties(d, 5).update(kind="track"),
        "feature 6 of 6",
        "A line is the shoreline",
    ),
    "a line of one position": (
        lambda d: feature(d, 5)["geometry"].update(coordinates=[[-20.5, 47.1]]),
        "feature 6 of 6",
        "2 to 2000 positions",
    ),
    "a line without positions": (
        lambda d: feature(d, 5)["geometry"].pop("coordinates"),
        "feature 6 of 6",
        "2 to 2000 positions",
    ),
    "a line with a bad position": (
        lambda d: feature(d, 5)["geometry"]["coordinates"].append([0, 95]),
        "feature 6 of 6",
        "latitude 95 is impossible",
    ),
    "a line that runs away": (
        lambda d: feature(d, 5)["geometry"]["coordinates"].extend([[-22, 47], [-23, 47]]),
        "feature 6 of 6",
        "from the rest of the site",
    ),
    "no site": (lambda d: d.pop("site"), "site", 'Give its "code"'),
    "a site that is a list": (lambda d: d.update(site=[]), "site", "holds code, name"),
    "no code": (lambda d: d["site"].pop("code"), "site", 'Give its "code"'),
    "a code of two words": (lambda d: d["site"].update(code="THE COVE"), "site", 'Give its "code"'),
    "no site name": (lambda d: d["site"].pop("name"), "site", 'Give its "name"'),
    "no such zone": (lambda d: d["site"].update(zone="Skerry/Bay"), "site", '"Skerry/Bay" is no time zone'),
    "a long call": (lambda d: d["site"].update(rescue_call="\u20ac" * 40), "site", "as a text has them"),
    "half a current": (lambda d: d["site"].update(current={"set_deg": 70}), "site", "needs both"),
    "a current of no sea": (
        lambda d: d["site"].update(current={"set_deg": 70, "drift_kn": 30}),
        "site",
        "speed of the current in knots",
    ),
    "aliases that are one word": (lambda d: d["site"].update(aliases="cove"), "site", "a list of other names"),
    "a position of the site off the globe": (lambda d: d["site"].update(position=[0, 99]), "site", "latitude 99"),
    "a site elsewhere": (lambda d: d["site"].update(position=[0, 47]), "site", "from the rest of the site"),
    "no position at all": (
        lambda d: (d["site"].pop("position"), d.update(features=[feature(d, 1)])),
        "site",
        "Give it a position",
    ),
}


@pytest.mark.parametrize(("change", "where", "words"), BAD.values(), ids=BAD)
def test_a_bad_feature_is_one_entry_with_its_place_and_what_to_do(change: Change, where: str, words: str) -> None:
    """Nothing else of the file is blamed."""
    found = faults(changed(change))

    assert [place for place, _ in found] == [where]
    assert words in found[0][1]


def test_every_bad_feature_is_told_at_once() -> None:
    """Three bad features are three entries, and two faults of one feature are one entry."""

    def change(parsed: Document) -> None:
        properties(parsed, 0).update(ease=9, kind="door")
        properties(parsed, 3).pop("name")
        parsed["site"]["zone"] = "Nowhere"

    found = faults(changed(change))

    assert [where for where, _ in found] == ["feature 1 of 6 (East beach)", "feature 4 of 6", "site"]
    assert "none of them" in found[0][1]
    assert "ease" in found[0][1]


FILES: dict[str, tuple[bytes, str]] = {
    "nothing": (b"", "It is not JSON"),
    "half a document": (to_geojson(SITE)[:400], "It is not JSON"),
    "a byte order mark": (b"\xef\xbb\xbf" + to_geojson(SITE), "byte order mark"),
    "another encoding": (to_geojson(SITE).decode().encode("utf-16"), "It is not UTF-8"),
    "Latin-1": (
        to_geojson(SITE).decode().replace("\u201c", "\u00e9").replace("\u201d", "").encode("latin-1"),
        "not UTF-8",
    ),
    "nested too deep": (b'{"type":' + b"[" * 400_000 + b"]" * 400_000 + b"}", "nested too deep"),
    "NaN": (
        changed(lambda d: feature(d, 2)["geometry"].update(coordinates=[float("nan"), 1])),
        "NaN, which is no number",
    ),
    "infinity": (changed(lambda d: d["site"].update(position=[float("inf"), 1])), "Infinity, which is no number"),
    "a number past all bounds": (b'{"type": ' + b"9" * 5000 + b"}", "not JSON that can be read"),
    "a member twice": (b'{"type": "FeatureCollection", "type": "Feature"}', 'the member "type" twice'),
    "a list": (b"[]", "this is none"),
    "a bare feature": (encoded(feature(document(), 0)), "this is a Feature"),
    "a bare point": (encoded({"type": "Point", "coordinates": [0, 0]}), "this is a Point"),
    "no features": (encoded({"type": "FeatureCollection"}), 'a list named "features"'),
    "features in an object": (encoded({"type": "FeatureCollection", "features": {}}), 'a list named "features"'),
    "another datum": (changed(lambda d: d.update(crs={"type": "name"})), "without the member"),
    "a geometry of the collection": (changed(lambda d: d.update(geometry=None)), "section 7.1"),
    "too many features": (
        encoded({"type": "FeatureCollection", "features": [{}] * (FEATURES_MAX + 1)}),
        "more than 500 features",
    ),
    "a byte too many": (b" " * (FILE_BYTES_MAX + 1), "more than 1 MB"),
    "ten megabytes": (b"[" * 10_000_000, "more than 1 MB"),
}


@pytest.mark.parametrize(("data", "words"), FILES.values(), ids=FILES)
def test_a_file_that_is_no_site_is_refused_with_one_sentence(data: bytes, words: str) -> None:
    """It says what is wrong with the file as a whole."""
    ((where, said),) = faults(data)

    assert where == "file"
    assert words in said


JSON_VALUES = st.recursive(
    st.none()
    | st.booleans()
    | st.integers()
    | st.just(10**400)
    | st.floats(allow_nan=False, allow_infinity=False)
    | st.text(max_size=8)
    | st.sampled_from(["Feature", "Point", "LineString", "exit", "shoreline", "Europe/London", "../zone"]),
    lambda inner: (
        st.lists(inner, max_size=4)
        | st.dictionaries(
            st.sampled_from(["type", "geometry", "properties", "coordinates", "kind", "name", "window", "min_height_m"])
            | st.text(max_size=4),
            inner,
            max_size=4,
        )
    ),
    max_leaves=12,
)


@given(
    JSON_VALUES, st.sampled_from(["site", "feature", "geometry", "properties", "position", "point", "window", "all"])
)
def test_any_value_at_any_place_is_read_or_told(value: Any, place: str) -> None:
    """Nothing that JSON can hold ends in anything but a site or sentences."""
    parsed = document()
    holder: Any = {
        "site": (parsed, "site"),
        "feature": (parsed["features"], 2),
        "geometry": (feature(parsed, 2), "geometry"),
        "properties": (feature(parsed, 2), "properties"),
        "position": (feature(parsed, 2)["geometry"], "coordinates"),
        "point": (properties(parsed, 2), "name"),
        "window": (properties(parsed, 2), "window"),
        "all": ([parsed], 0),
    }[place]
    holder[0][holder[1]] = value
    data = encoded(value if place == "all" else parsed)

    try:
        read = from_geojson(data)
    except SiteFileError as refused:
        told = [bool(fault.where and fault.words) for fault in refused.faults]
    else:
        written = to_geojson(read.site)
        told = [to_geojson(from_geojson(written).site) == written]
    assert told
    assert all(told)


@given(st.binary(max_size=60))
def test_any_bytes_are_told(data: bytes) -> None:
    """Whatever was uploaded."""
    assert faults(data)


def test_a_number_too_large_for_a_float_is_no_position() -> None:
    """JSON may write what no float holds."""
    data = to_geojson(SITE).replace(b"-20.5461", b"1e999")

    assert [where for where, _ in faults(data)] == [STEPS]


def test_as_many_features_as_allowed_are_read() -> None:
    """At the bound all is well."""

    def change(parsed: Document) -> None:
        parsed["features"] += [
            {"type": "Feature", "geometry": None, "properties": {"kind": "hazard", "name": f"Rock {number}"}}
            for number in range(FEATURES_MAX - len(parsed["features"]))
        ]

    assert len(from_geojson(changed(change)).site.points) == FEATURES_MAX - 1


def test_a_file_of_just_a_megabyte_is_read() -> None:
    """At the bound all is well."""
    data = to_geojson(SITE)

    assert from_geojson(data + b" " * (FILE_BYTES_MAX - len(data))).site == SITE


def test_a_site_across_the_date_line_is_one_neighbourhood() -> None:
    """Near is near on the globe, not in the numbers."""
    features = [
        {
            "type": "Feature",
            "geometry": {"type": "Point", "coordinates": [lon, 0]},
            "properties": {"kind": "exit", "name": name},
        }
        for name, lon in (("East", 179.999), ("West", -179.999), ("Line", 180))
    ]
    parsed = {"type": "FeatureCollection", "site": {"code": "DATE", "name": "Date line"}, "features": features}

    assert from_geojson(encoded(parsed)).site.position == Position(0, 179.999)


def test_an_object_with_very_many_members_is_read_at_once() -> None:
    """One of them twice, and as many as a file holds: told in a second or so, not in a minute."""
    members = ",".join(f'"{number:x}":1' for number in range(60_000))
    began = time.perf_counter()

    with pytest.raises(SiteFileError) as refused:
        from_geojson(f'{{{members},"ea5f":1}}'.encode())

    assert 'the member "ea5f" twice' in str(refused.value)
    assert time.perf_counter() - began < 5
