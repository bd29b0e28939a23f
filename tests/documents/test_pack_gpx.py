"""The pack as GPX 1.1: valid by the published schema, with every place and the drift."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree

from service.documents.pack_gpx import to_gpx
from service.domain.dive import commands as do
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePoint
from tests.documents.gpx_schema import faults
from tests.domain.builders import PLANNED, at, contact, diver, filed, in_water
from tests.domain.place.places import LANTERN
from tests.domain.rescue_dives import FULL_PLAN, overdue_with_everything, overdue_with_nothing, pack_of

NAMES = {"g": "http://www.topografix.com/GPX/1/1"}


def found(document: bytes, path: str) -> list[str]:
    """What an XPath finds."""
    return [str(one) for one in etree.fromstring(document).xpath(path, namespaces=NAMES)]


def test_the_whole_pack_is_valid() -> None:
    """By the schema, with points, fixes, datum and drift."""
    assert faults(to_gpx(pack_of(overdue_with_everything()))) == []


def test_each_place_is_a_waypoint_of_its_kind() -> None:
    """The last known position first, which is what a receiver shows first."""
    document = to_gpx(pack_of(overdue_with_everything()))

    assert found(document, "//g:wpt/g:type/text()") == [
        "last known position",
        *("entry", "exit", "exit", "exit", "vehicle access", "parking", "meeting point", "phone or signal", "hazard"),
        "fix",
        *["datum"] * 4,
    ]
    assert found(document, "//g:wpt[1]/@lat | //g:wpt[1]/@lon") == ["47.122510", "-20.544020"]
    assert found(document, "//g:wpt[1]/g:time/text()") == ["2027-06-01T09:38:00Z"]
    assert found(document, "//g:wpt[g:name='Exit: Boat shed']/g:desc/text()") == [
        "ease 3 of 5. A ladder; not at low water."
    ]
    assert found(document, "//g:wpt[g:type='vehicle access']/g:desc/text()") == ["emergency vehicles reach it"]


def test_a_point_without_a_position_is_no_waypoint() -> None:
    """There is nowhere to steer."""
    site = replace(LANTERN, points=(SitePoint(PointKind.EXIT, "Ladder"), *LANTERN.points[:1]))

    document = to_gpx(replace(pack_of(overdue_with_everything()), site=site))

    assert found(document, "//g:wpt/g:name[contains(., 'Ladder')]") == []
    assert found(document, "//g:wpt/g:name[contains(., 'East beach')]/text()") == ["Entry: East beach"]


def test_the_drift_is_a_track_with_the_time_of_each_point() -> None:
    """From the last known position over now to the next hours, with the caution in its description."""
    document = to_gpx(pack_of(overdue_with_everything()))

    assert found(document, "//g:trkpt/g:time/text()") == [
        *("2027-06-01T09:38:00Z", "2027-06-01T10:32:00Z", "2027-06-01T11:32:00Z"),
        *("2027-06-01T12:32:00Z", "2027-06-01T13:32:00Z"),
    ]
    assert "not an instruction" in found(document, "//g:trk/g:desc/text()")[0]


def test_it_says_who_how_many_and_that_it_is_an_exercise() -> None:
    """In the name of the file, which receivers list."""
    (name,) = found(to_gpx(pack_of(overdue_with_everything(drill=True))), "//g:metadata/g:name/text()")

    assert name == "EXERCISE: Overdue divers: Anna Holt, 2 divers, Lantern Cove (LANTERN)"


def test_a_fix_that_is_not_used_says_so() -> None:
    """It is kept, and nobody may steer there."""
    story = in_water(FULL_PLAN)
    story.does(do.ReportFix(by=diver(), position=Position(10, 10), accuracy_m=5), at(5))

    document = to_gpx(pack_of(story, 6))

    assert faults(document) == []
    assert found(document, "//g:wpt[g:type='fix']/g:desc/text()") == [
        "good to 5 m (0.00 NM); not used, it cannot be theirs (far)"
    ]


@pytest.mark.parametrize("minutes", [5, 92])
def test_without_positions_and_after_the_end_it_is_valid_too(minutes: int) -> None:
    """A file with nothing to show is better than none."""
    nothing = to_gpx(pack_of(overdue_with_nothing(), minutes))
    story = overdue_with_everything()
    story.does(do.ReportSafe(contact(0), count=2), at(95))
    over = to_gpx(pack_of(story, 96))

    for document in (nothing, over, to_gpx(pack_of(filed(replace(PLANNED, site=LANTERN)), 1))):
        assert faults(document) == []
        assert found(document, "//g:trk") == []
    assert found(nothing, "//g:wpt") == []


@given(
    lat=st.floats(-90, 90),
    lon=st.floats(-180, 180) | st.just(180.0) | st.just(-0.0),
    name=st.text(max_size=20).filter(str.strip),
)
def test_any_place_and_name_is_valid(lat: float, lon: float, name: str) -> None:
    """All over the globe, and whatever somebody calls it."""
    point = SitePoint(PointKind.EXIT, name, Position(lat, lon), notes=name)
    site = replace(LANTERN, points=(point,), position=None)
    made = replace(pack_of(filed(FULL_PLAN), 1), site=site)

    document = to_gpx(made)

    assert faults(document) == []
    assert float(found(document, "//g:wpt[g:type='exit']/@lat")[0]) == pytest.approx(lat, abs=1e-6)
