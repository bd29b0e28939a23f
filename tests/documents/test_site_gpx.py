"""Sites as GPX: valid by the published schema, read back whole, safe from entities, and refused fault by fault."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.documents.site_geojson import from_geojson, to_geojson
from service.documents.site_gpx import from_gpx, to_gpx
from service.documents.site_reading import FEATURES_MAX, FILE_BYTES_MAX, SiteFileError
from service.domain.place.club_site import ClubSite
from service.domain.place.position import Position
from service.domain.place.site import PointKind
from tests.documents import gpx_schema
from tests.documents.site_examples import COVE, SITE, club_sites

HEAD = '<gpx xmlns="http://www.topografix.com/GPX/1/1" version="1.1" creator="a receiver">'
CODE = "COVE"


def faults(data: bytes, code: str | None = None) -> list[tuple[str, str]]:
    """What is wrong with a file, by where."""
    with pytest.raises(SiteFileError) as refused:
        from_gpx(data, code)
    assert refused.value.faults
    return [(fault.where, fault.words) for fault in refused.value.faults]


def file_of(body: str) -> bytes:
    """A file as a receiver saves it, with a name, and these waypoints and lines."""
    return f"{HEAD}<metadata><name>Cove</name></metadata>{body}</gpx>".encode()


def waypoint(inner: str = "<name>Steps</name><type>exit</type>", lat: str = "47.123", lon: str = "-20.543") -> str:
    """One waypoint."""
    return f'<wpt lat="{lat}" lon="{lon}">{inner}</wpt>'


def test_the_example_is_valid_and_comes_back_whole() -> None:
    """Also points without a position, at their places in the order."""
    written = to_gpx(SITE)

    assert gpx_schema.faults(written) == []
    assert b'<wpt lat="47.123450" lon="-20.543210">' in written
    assert b"<type>vehicle_access</type>" in written
    assert from_gpx(written).site == SITE
    assert from_gpx(written).left_out == ()


def test_the_schema_would_find_a_fault() -> None:
    """Elements out of their order, a longitude of 180 and an element of nobody are seen."""
    for wrong in (
        file_of(waypoint("<type>exit</type><name>Steps</name>")),
        file_of(waypoint(lon="180.0")),
        file_of(waypoint("<ease>3</ease>")),
    ):
        assert gpx_schema.faults(wrong)


@given(club_sites())
def test_any_site_is_valid_and_comes_back_whole(site: ClubSite) -> None:
    """All over the globe, poles and date line included."""
    written = to_gpx(site)

    assert gpx_schema.faults(written) == []
    assert from_gpx(written).site == site


@given(club_sites())
def test_both_formats_carry_the_same(site: ClubSite) -> None:
    """From one into the other and back nothing is lost."""
    assert from_geojson(to_geojson(from_gpx(to_gpx(site)).site)).site == site


def test_a_file_of_a_receiver_is_read() -> None:
    """Waypoints with a type in words, a track as shoreline, and the code from whoever imports it."""
    data = file_of(
        waypoint("<ele>3</ele><name>Steps</name><desc>weed</desc><type>Exit</type>")
        + waypoint("<name>Track</name><type>Vehicle access</type>")
        + "<trk><trkseg><trkpt lat='47.12' lon='-20.54'/></trkseg>"
        + "<trkseg><trkpt lat='47.13' lon='-20.55'/></trkseg></trk>"
    )

    assert gpx_schema.faults(data) == []
    site = from_gpx(data, "cove").site
    assert (site.code, site.name, site.position) == ("COVE", "Cove", Position(47.123, -20.543))
    assert [(point.kind, point.name, point.notes) for point in site.points] == [
        (PointKind.EXIT, "Steps", "weed"),
        (PointKind.VEHICLE_ACCESS, "Track", None),
    ]
    assert site.shoreline == (Position(47.12, -20.54), Position(47.13, -20.55))


def test_a_track_of_another_kind_is_left_out_and_said() -> None:
    """Last Sunday's walk is no shoreline."""
    walk = "<trk><name>Walk</name><type>hiking</type><trkseg><trkpt lat='47.12' lon='-20.54'/></trkseg></trk>"

    read = from_gpx(file_of(waypoint() + walk), CODE)

    assert read.site.shoreline == ()
    assert [(one.where, one.words) for one in read.left_out] == [
        ("track 1 of 1 (Walk)", 'It is of type "hiking", not "shoreline", and was left out.')
    ]


LINE = "<rte><rtept lat='47.12' lon='-20.54'/><rtept lat='47.13' lon='-20.55'/></rte>"
OURS = '<name>Steps</name><type>exit</type><extensions><lt:point xmlns:lt="urn:x-linetender:site:1" {}</extensions>'
STEPS = "waypoint 1 of 1 (Steps)"
BAD = {
    "no name": (waypoint("<type>exit</type>"), "waypoint 1 of 1", 'Give it a "name"'),
    "a blank name": (waypoint("<name> </name><type>exit</type>"), "waypoint 1 of 1", 'Give it a "name"'),
    "no type": (waypoint("<name>Steps</name>"), STEPS, "one of entry, exit,"),
    "an unknown type": (waypoint("<name>Steps</name><type>door</type>"), STEPS, '"door" is none of them'),
    "no latitude": ("<wpt lon='-20.5'><name>Steps</name><type>exit</type></wpt>", STEPS, 'needs "lat" and "lon"'),
    "degrees and minutes": (waypoint(lat="47 07.4"), STEPS, 'needs "lat" and "lon"'),
    "an exponent": (waypoint(lat="4.7e1"), STEPS, 'needs "lat" and "lon"'),
    "not a number": (waypoint(lat="NaN"), STEPS, 'needs "lat" and "lon"'),
    "latitude 91": (waypoint(lat="91"), STEPS, "latitude 91 is impossible"),
    "longitude 181": (waypoint(lon="-181"), STEPS, "longitude -181 is impossible"),
    "swapped": (
        waypoint("<name>A</name><type>exit</type>")
        + waypoint("<name>B</name><type>exit</type>")
        + waypoint(lat="-20.543", lon="47.123"),
        "waypoint 3 of 3 (Steps)",
        "the other way round it would be 47.12300 N, 20.54300 W, which is near",
    ),
    "a name twice": (
        waypoint() + waypoint("<name>STEPS</name><type>exit</type>"),
        "waypoint 2 of 2 (STEPS)",
        "of that name already: waypoint 1 of 2 (Steps)",
    ),
    "ease in words": (waypoint(OURS.format('ease="easy"/>')), STEPS, "from 1, hard, to 5, easy"),
    "ease of six": (waypoint(OURS.format('ease="6"/>')), STEPS, "from 1, hard, to 5, easy"),
    "vehicles in words": (waypoint(OURS.format('vehicles="yes"/>')), STEPS, "true where an emergency vehicle"),
    "a window of words": (
        waypoint(OURS.format('><lt:window min_height_m="low"/></lt:point>')),
        STEPS,
        "nothing but numbers",
    ),
    "a window no tide meets": (
        waypoint(OURS.format('><lt:window min_height_m="44"/></lt:point>')),
        STEPS,
        "metres above chart datum",
    ),
    "two lines": (waypoint() + LINE + LINE, "route 2 of 2", "one shoreline"),
    "a line of one position": (
        waypoint() + "<rte><rtept lat='47.12' lon='-20.54'/></rte>",
        "route 1 of 1",
        "2 to 2000 positions",
    ),
    "a line with a bad position": (
        waypoint() + "<rte><rtept lat='47.12' lon='-20.54'/><rtept lat='95' lon='-20.5'/></rte>",
        "route 1 of 1",
        "latitude 95 is impossible",
    ),
    "no waypoint": ("", "site", "Give it a position"),
}


@pytest.mark.parametrize(("body", "where", "words"), BAD.values(), ids=BAD)
def test_a_bad_feature_is_one_entry_with_its_place_and_what_to_do(body: str, where: str, words: str) -> None:
    """Nothing else of the file is blamed."""
    found = faults(file_of(body), CODE)

    assert where in [place for place, _ in found]
    assert {place for place, _ in found} <= {where, "site"}
    assert words in dict(found)[where]


def test_details_of_the_site_are_checked_too() -> None:
    """Of our own extension, where it is there."""
    site = (
        '<metadata><name>Cove</name><extensions><lt:site xmlns:lt="urn:x-linetender:site:1" code="A B" zone="Nowhere"'
        ' lat="47.123"><lt:current set_deg="70"/><lt:point name="Ladder" kind="door"/></lt:site>'
        "</extensions></metadata>"
    )

    found = dict(faults(f"{HEAD}{site}{waypoint()}</gpx>".encode()))

    assert set(found) == {"site", "point without position 1 of 1 (Ladder)"}
    for words in ('Give its "code"', "no time zone", "needs both", 'needs "lat" and "lon"'):
        assert words in found["site"]


def test_a_file_without_a_code_or_a_name_says_what_to_give() -> None:
    """A receiver knows neither."""
    ((where, words),) = faults(f"{HEAD}{waypoint()}</gpx>".encode())

    assert where == "site"
    assert 'Give its "code"' in words
    assert 'Give its "name"' in words


def test_a_point_whose_place_in_the_order_is_not_said_comes_last() -> None:
    """It is not lost."""
    ours = '<lt:site xmlns:lt="urn:x-linetender:site:1"><lt:point name="L" kind="exit"/>'
    site = f"<metadata><name>Cove</name><extensions>{ours}"
    data = f"{HEAD}{site}</lt:site></extensions></metadata>{waypoint()}</gpx>".encode()

    assert [point.name for point in from_gpx(data, CODE).site.points] == ["Steps", "L"]


BOMB = '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
OUTSIDE = '<!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/hostname">]>'
FILES: dict[str, tuple[bytes, str]] = {
    "nothing": (b"", "It is not XML"),
    "JSON": (to_geojson(SITE), "It is not XML"),
    "half a document": (to_gpx(SITE)[:500], "It is not XML"),
    "entities": ((BOMB + HEAD + "<name>&b;</name></gpx>").encode(), "declares a document type or entities"),
    "a file from outside": (
        (OUTSIDE + HEAD + "<name>&a;</name></gpx>").encode(),
        "declares a document type or entities",
    ),
    "a document type": (
        ('<!DOCTYPE gpx SYSTEM "http://127.0.0.1:9/gpx.dtd">' + HEAD + "</gpx>").encode(),
        "document type",
    ),
    "an unknown entity": ((HEAD + "<name>&b;</name></gpx>").encode(), "It is not XML"),
    "an unknown encoding": (b'<?xml version="1.0" encoding="skerry"?><gpx/>', "It is not XML"),
    "an encoding of several bytes": (b'<?xml version="1.0" encoding="shift_jis"?><gpx/>', "It is not XML"),
    "GPX 1.0": (
        b'<gpx xmlns="http://www.topografix.com/GPX/1/0" version="1.0"/>',
        "It is GPX 1.0. Save it as GPX 1.1.",
    ),
    "no namespace": (b'<gpx version="1.1"/>', "It is not GPX 1.1"),
    "another document": (b"<kml/>", "It is not GPX 1.1"),
    "nested without an end": (b"<a>" * 300_000, "It is not XML"),
    "nested deep": (b"<a>" * 140_000 + b"</a>" * 140_000, "It is not GPX 1.1"),
    "too many waypoints": (file_of(waypoint() * (FEATURES_MAX + 1)), "more than 500 waypoints"),
    "a byte too many": (b" " * (FILE_BYTES_MAX + 1), "more than 1 MB"),
    "ten megabytes": (b"<a>" * 3_400_000, "more than 1 MB"),
}


@pytest.mark.parametrize(("data", "words"), FILES.values(), ids=FILES)
def test_a_file_that_is_no_site_is_refused_with_one_sentence(data: bytes, words: str) -> None:
    """Nothing is expanded, followed or fetched."""
    ((where, said),) = faults(data, CODE)

    assert where == "file"
    assert words in said


def test_a_file_in_another_encoding_that_it_names_is_read() -> None:
    """XML says its encoding itself; a byte order mark is allowed there."""
    written = to_gpx(SITE).decode().partition("?>")[2]

    for encoding in ("utf-16", "utf-8-sig"):
        assert from_gpx(written.encode(encoding)).site == SITE
    assert from_gpx(file_of(waypoint()), CODE).site.position != COVE


ATTRIBUTES = st.dictionaries(
    st.sampled_from(
        ["lat", "lon", "ease", "vehicles", "kind", "name", "place", "code", "zone", "min_height_m", "set_deg"]
    ),
    st.sampled_from(["47.1", "-20.5", "1", "9" * 400, "", "NaN", "true", "exit", "x"]),
    max_size=5,
)
NAMES = ["gpx", "metadata", "name", "type", "extensions", "wpt", "rte", "rtept", "trk", "trkseg", "trkpt"]
NAMES += ["lt:site", "lt:point", "lt:window", "lt:current", "lt:alias"]


@st.composite
def elements(draw: st.DrawFn, depth: int = 3) -> str:
    """Any element of names that mean something to the reader, in any order."""
    name, attributes = draw(st.sampled_from(NAMES)), draw(ATTRIBUTES)
    inner = (
        "".join(draw(st.lists(elements(depth - 1), max_size=3))) if depth else draw(st.sampled_from(["", "exit", "A"]))
    )
    return f"<{name} {' '.join(f'{key}={value!r}' for key, value in attributes.items())}>{inner}</{name}>"


@given(st.lists(elements(), max_size=4))
def test_any_elements_are_read_or_told(given_: list[str]) -> None:
    """Nothing that XML can hold ends in anything but a site or sentences."""
    data = HEAD.replace("<gpx ", '<gpx xmlns:lt="urn:x-linetender:site:1" ') + "".join(given_) + "</gpx>"

    try:
        read = from_gpx(data.encode(), CODE)
    except SiteFileError as refused:
        told = [bool(fault.where and fault.words) for fault in refused.faults]
    else:
        written = to_gpx(read.site)
        told = [to_gpx(from_gpx(written).site) == written]
    assert told
    assert all(told)
