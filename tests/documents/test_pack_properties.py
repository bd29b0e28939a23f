"""The files of any dive in any life: valid, whole and on few sheets."""

from __future__ import annotations

import json

import pypdfium2
from hypothesis import given, settings
from hypothesis import strategies as st

from service.documents.pack_cap import issues, to_cap
from service.documents.pack_geojson import to_geojson
from service.documents.pack_gpx import to_gpx
from service.documents.pack_pdf import to_pdf
from service.domain.handover import Moment, pack
from tests.documents.cap_schema import faults, texts
from tests.documents.gpx_schema import faults as gpx_faults
from tests.domain.heart_strategies import Life, lives, played


@settings(max_examples=25)
@given(lives, st.data())
def test_every_dive_has_its_files(life: Life, data: st.DataObject) -> None:
    """By the schemas; two sheets; and the alert names the phase that the dive is in."""
    turns = list(played(life))
    timeline = tuple(Moment(event.at, "said") for turn in turns for event, _, _ in turn.steps)
    turn = data.draw(st.sampled_from(turns))

    made = pack(turn.after, turn.now, timeline)
    issued = issues(made)

    assert gpx_faults(to_gpx(made)) == []
    assert json.loads(to_geojson(made))["features"][0]["properties"]["head_count"] == made.head_count
    with pypdfium2.PdfDocument(to_pdf(made)) as paper:
        assert len(paper) == 2
    assert bool(issued) is (turn.after.alarm_at is not None)
    if issued:
        alert = to_cap(pack(turn.after, issued[-1].at, timeline), "linetender@dive.example.org")
        assert faults(alert) == []
        assert texts(alert, "status") == ["Exercise" if made.drill else "Actual"]
        assert (texts(alert, "msgType") == ["Cancel"]) is made.over
