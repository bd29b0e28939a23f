"""Text, page, paper and files agree: one overdue dive, told in every way that rescue may be told."""

from __future__ import annotations

import html
import json
from datetime import UTC, datetime, timedelta

import pytest
from flask import Flask, render_template
from lxml import etree

from service.documents.pack_cap import issues, to_cap
from service.documents.pack_geojson import to_geojson
from service.documents.pack_gpx import to_gpx
from service.documents.pack_pdf import made_at, to_pdf
from service.documents.sketch_svg import to_svg
from service.domain.dive.events import StepTaken
from service.domain.grace import Step
from service.domain.handover.exit_words import exit_words
from service.domain.place.fix import Source
from service.web import speaking
from tests.documents.cap_schema import texts
from tests.documents.test_pack_pdf import pages_of
from tests.domain.builders import Story, at, overdue
from tests.domain.rescue_dives import FIX, FIX_MIN, FULL_PLAN, overdue_with_everything, pack_of

SENDER = "linetender@dive.example.org"
WHEN_MIN = 80  # the distress text goes out, and everything is fetched at that moment
WHERE = f"{FIX.lat:.5f},{FIX.lon:.5f}"
LAST_FIX_AT = at(FIX_MIN)


@pytest.fixture(scope="module")
def story() -> Story:
    """The dive of which everything is known."""
    return overdue_with_everything()


def text_of(story: Story) -> str:
    """The distress text to the first contact."""
    return next(
        draft.text
        for event, draft in story.told
        if isinstance(event, StepTaken) and event.step is Step.DISTRESS and draft.to.key == "contact-0"
    )


def page_of(story: Story) -> str:
    """The page as its template makes it."""
    made = pack_of(story, WHEN_MIN)
    app = Flask("service.web", template_folder="templates")
    app.jinja_env.filters |= speaking.FILTERS
    with app.test_request_context("/"):
        page = render_template(
            "handover.html",
            pack=made,
            token="t",
            own=False,
            now=made.now,
            zone=made.zone,
            exits=exit_words(made),
            made_at=made_at(made),
            alerted=True,
            no_call="",
            drawing=to_svg(made.sketch, title="Sketch") if made.sketch else None,
        )
    return " ".join(html.unescape(page).split())


def cap_of(story: Story) -> bytes:
    """The alert that is fetched at that moment."""
    issued = issues(pack_of(story, WHEN_MIN))[-1]
    return to_cap(pack_of(story, (issued.at - at()) / timedelta(minutes=1)), SENDER)


def told(story: Story) -> dict[str, str]:
    """What each says in words, by its name."""
    made = pack_of(story, WHEN_MIN)
    return {
        "text": text_of(story),
        "page": page_of(story),
        "paper": " ".join(pages_of(to_pdf(made))),
        "alert": " ".join([*texts(cap_of(story), "info/headline"), *texts(cap_of(story), "info/description")]),
    }


@pytest.mark.parametrize(
    ("question", "answer"),
    [
        ("who", "Anna Holt"),
        ("how many", "2 divers"),
        ("where", WHERE),
        ("at which site", "Lantern Cove"),
        ("in", "10:00"),
        ("due out", "due out 10:50"),
        ("last heard", "10:38"),
    ],
)
def test_in_words_they_say_the_same(story: Story, question: str, answer: str) -> None:
    """Text, page, paper and alert."""
    for way, words in told(story).items():
        assert answer in words, (question, way)


def test_in_numbers_they_say_the_same(story: Story) -> None:
    """GPX, GeoJSON and alert: the same point, count, names and instants."""
    made = pack_of(story, WHEN_MIN)
    waypoint = etree.fromstring(to_gpx(made)).find("{*}wpt")
    last = json.loads(to_geojson(made))["features"][0]
    alert = cap_of(story)
    counted = dict(zip(texts(alert, "info/parameter/valueName"), texts(alert, "info/parameter/value"), strict=True))

    assert waypoint is not None
    assert (float(waypoint.get("lat")), float(waypoint.get("lon"))) == (FIX.lat, FIX.lon)
    assert last["geometry"]["coordinates"] == [FIX.lon, FIX.lat]
    assert datetime.fromisoformat(waypoint.findtext("{*}time")) == LAST_FIX_AT
    assert datetime.fromisoformat(last["properties"]["at"]).astimezone(UTC) == LAST_FIX_AT
    assert last["properties"]["head_count"] == int(counted["headCount"]) == made.head_count == 2
    assert last["properties"]["divers"] == ["Anna Holt", "Bram Vik"]
    assert datetime.fromisoformat(last["properties"]["due_out"]) == made.times.due_out_at == at(50)


def test_the_search_is_the_same_on_map_and_in_the_alert(story: Story) -> None:
    """Datum and radius, at the moment of the alert."""
    issued = issues(pack_of(story, WHEN_MIN))[-1]
    made = pack_of(story, (issued.at - at()) / timedelta(minutes=1))
    circle = texts(cap_of(story), "info/area/circle")[0].split(" ")
    area = next(f for f in json.loads(to_geojson(made))["features"] if f["properties"]["kind"] == "search area")

    lat, lon = (float(part) for part in circle[0].split(","))

    assert area["properties"]["datum"] == [pytest.approx(lon, abs=1e-5), pytest.approx(lat, abs=1e-5)]
    assert area["properties"]["radius_m"] == pytest.approx(float(circle[1]) * 1000, abs=1)


def test_without_a_fix_all_of_them_fall_back_on_the_entry() -> None:
    """The text and the pack name the same place also when nobody reported one."""
    story = overdue(WHEN_MIN, FULL_PLAN)

    made = pack_of(story, WHEN_MIN)

    assert made.where.source is Source.ENTRY
    assert made.where.position == made.site.entry
    for words in (text_of(story), page_of(story), *pages_of(to_pdf(made))[:1]):
        assert "47.12345,-20.54321" in words
    for written in (to_gpx(made), to_geojson(made)):
        assert b"47.12345" in written
