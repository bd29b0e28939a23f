"""Sites from and to files: all of a file or nothing, logged, and no dive changed by it."""

from __future__ import annotations

import hashlib
import json
import threading
from datetime import UTC, datetime
from typing import Any

import pytest

from service.documents.site_reading import SiteFileError
from service.domain.place.position import Position
from service.operations.filing import PlanFiled, file_plan
from service.operations.sites import (
    Format,
    export_site,
    export_tides,
    import_site,
    import_tides,
    list_sites,
)
from service.store import clubs, log, sites
from tests.operations.stage import BEGIN_AT, BY_ANNA, CLUB, Stage, plan

ACTOR = {"role": "operator", "name": "a test"}
OTHER = "other"
TIDES = (
    b"at,height_m,high_or_low\n"
    b"2027-06-01T10:00+01:00,4.1,high\n"
    b"2027-06-01T16:10,1.2,low\n"
    b"2027-06-01 22:20:00,4.0,High\n"
)


def exported(stage: Stage, code: str = "LANTERN") -> dict[str, Any]:
    """A site of the stage's club as GeoJSON."""
    data = export_site(stage.service, CLUB, code, Format.GEOJSON)
    assert data is not None
    parsed: dict[str, Any] = json.loads(data)
    return parsed


def add_other_club(stage: Stage) -> None:
    """A second club of the same installation, without sites."""
    stage.service.write(
        lambda session: clubs.add(
            session,
            club_id=OTHER,
            name="Far Reef Club",
            country="GB",
            zone="Atlantic/Azores",
            receiving_number="+447700900777",
            rescue_call="07700 900777",
        )
    )


def refused(stage: Stage, data: bytes, code: str | None = None) -> str:
    """What is wrong with a file."""
    with pytest.raises(SiteFileError) as error:
        import_site(stage.service, CLUB, data, Format.GEOJSON, ACTOR, code=code)
    return str(error.value)


def log_of_club(stage: Stage) -> list[tuple[str, dict[str, Any] | None]]:
    """Kinds and details of the entries about sites."""
    entries = stage.entries(chain=log.club_chain(CLUB))
    return [(entry.kind, entry.detail) for entry in entries if entry.kind in {"site_imported", "tides_imported"}]


@pytest.mark.parametrize("form", list(Format))
def test_every_site_goes_out_and_comes_back_the_same(stage: Stage, form: Format) -> None:
    """Through either format, point by point."""
    for code in ("LANTERN", "SLIP", "KELP"):
        before = exported(stage, code)
        data = export_site(stage.service, CLUB, code.lower(), form)
        assert data is not None

        done = import_site(stage.service, CLUB, data, form, ACTOR)

        assert (done.new, done.notes, done.site.code) == (False, (), code)
        assert exported(stage, code) == before


def test_a_new_code_makes_a_new_site(stage: Stage) -> None:
    """What the file leaves open is the club's, and the zone at sea too."""
    given = exported(stage)
    given["site"] = {"code": "EAST", "name": "East Cove"}

    done = import_site(stage.service, CLUB, json.dumps(given).encode(), Format.GEOJSON, ACTOR)

    assert done.new
    assert done.site.rescue_call == "07700 900999 (practice rescue desk)"
    assert (done.site.zone, done.site.position) == ("Europe/London", Position(47.12345, -20.54321))
    assert done.site.points == {
        "entry": 1,
        "exit": 3,
        "vehicle_access": 1,
        "parking": 1,
        "meeting": 1,
        "hazard": 1,
        "signal": 1,
    }
    assert done.site.tides_until_at is None
    assert [one.code for one in list_sites(stage.service, CLUB)] == ["EAST", "KELP", "LANTERN", "SLIP"]
    assert isinstance(file_plan(stage.service, CLUB, plan(site="EAST"), BY_ANNA), PlanFiled)


def test_a_new_site_ashore_elsewhere_has_the_zone_of_its_position_and_is_asked_about(stage: Stage) -> None:
    """A club may travel; the clocks there are those that divers read."""
    place, properties = {"type": "Point", "coordinates": [5.3, 60.4]}, {"kind": "exit", "name": "A"}
    features = [{"type": "Feature", "geometry": place, "properties": properties}]
    given = {"type": "FeatureCollection", "site": {"code": "FJORD", "name": "Fjord"}, "features": features}

    done = import_site(stage.service, CLUB, json.dumps(given).encode(), Format.GEOJSON, ACTOR)

    assert done.site.zone == "Europe/Oslo"
    (note,) = done.notes
    assert "from the club's nearest site" in note.words


def test_an_explicit_zone_wins(stage: Stage) -> None:
    """Over the position's and over the site's old one, which else stays."""
    given = exported(stage)
    given["site"]["zone"] = "Atlantic/Azores"
    import_site(stage.service, CLUB, json.dumps(given).encode(), Format.GEOJSON, ACTOR)
    del given["site"]["zone"], given["site"]["rescue_call"]

    done = import_site(stage.service, CLUB, json.dumps(given).encode(), Format.GEOJSON, ACTOR)

    assert (done.site.zone, done.site.rescue_call) == ("Atlantic/Azores", "07700 900999 (practice rescue desk)")


def test_a_live_dive_keeps_the_site_that_it_was_filed_with(stage: Stage) -> None:
    """The alarm speaks of the exits that the party knew."""
    dive = stage.file()
    given = exported(stage)
    given["site"]["name"] = "Another Cove"
    given["features"] = given["features"][:1]

    import_site(stage.service, CLUB, json.dumps(given).encode(), Format.GEOJSON, ACTOR)

    kept = stage.dive(dive.id).plan.site
    assert kept == dive.plan.site
    assert (kept.name, len(kept.exits)) == ("Lantern Cove", 3)


def test_a_bad_file_changes_nothing_and_is_not_logged(stage: Stage) -> None:
    """One bad feature of many is enough."""
    before = exported(stage)
    given = exported(stage)
    given["site"]["name"] = "Another Cove"
    del given["features"][3]["properties"]["name"]

    words = refused(stage, json.dumps(given).encode())

    assert 'feature 4 of 10: Give it a "name"' in words
    assert exported(stage) == before
    assert log_of_club(stage) == []


def test_a_check_changes_nothing_and_says_what_would_be(stage: Stage) -> None:
    """Neither the site nor the log."""
    before = exported(stage)
    given = exported(stage)
    given["site"]["name"] = "Another Cove"

    done = import_site(stage.service, CLUB, json.dumps(given).encode(), Format.GEOJSON, ACTOR, check=True)
    known = export_tides(stage.service, CLUB, "LANTERN")
    assert known is not None
    higher = known.replace(b"4.", b"5.")
    listed = import_tides(stage.service, CLUB, "LANTERN", higher, ACTOR, check=True)

    assert higher != known
    assert export_tides(stage.service, CLUB, "LANTERN") == known
    assert (done.site.name, done.new) == ("Another Cove", False)
    assert listed is not None
    assert listed.count > 100
    assert exported(stage) == before
    assert log_of_club(stage) == []


def test_an_import_is_logged_with_who_what_and_the_mark_of_the_file(stage: Stage) -> None:
    """In the chain of the club, so that a changed site shows."""
    data = export_site(stage.service, CLUB, "SLIP", Format.GPX)
    assert data is not None
    import_site(stage.service, CLUB, data, Format.GPX, ACTOR)

    (entry,) = [one for one in stage.entries(chain=log.club_chain(CLUB)) if one.kind == "site_imported"]
    assert entry.actor == ACTOR
    assert entry.detail == {
        "code": "SLIP",
        "name": "North Slip",
        "new": False,
        "format": "gpx",
        "points": {"entry": 1, "exit": 2, "vehicle_access": 1, "parking": 1, "hazard": 1, "signal": 1},
        "shoreline": 6,
        "bytes": len(data),
        "sha256": hashlib.sha256(data).hexdigest(),
        "changes": [],
    }


def test_a_file_that_is_swapped_as_a_whole_is_seen_by_the_clubs_other_sites(stage: Stage) -> None:
    """Within the file nothing is odd: all of its positions are wrong alike."""
    given = exported(stage)
    given["site"]["code"] = "NEW"
    given["site"]["position"].reverse()
    for feature in given["features"]:
        place = feature["geometry"]["coordinates"]
        for one in [place] if feature["geometry"]["type"] == "Point" else place:
            one.reverse()

    words = refused(stage, json.dumps(given).encode())

    assert words.startswith("file: 20.54321 S, 47.12345 E is far from every site of the club")


def test_a_file_for_another_site_than_the_one_that_is_meant_is_refused(stage: Stage) -> None:
    """The wrong file must not land on the right site."""
    data = json.dumps(exported(stage)).encode()

    assert 'It is "LANTERN", and SLIP is meant' in refused(stage, data, code="SLIP")


def test_sites_belong_to_their_club(stage: Stage) -> None:
    """Another club neither sees nor changes them; its own file of that code is its own site."""
    add_other_club(stage)
    before = exported(stage)

    assert list_sites(stage.service, OTHER) == []
    assert export_site(stage.service, OTHER, "LANTERN", Format.GEOJSON) is None
    assert export_tides(stage.service, OTHER, "LANTERN") is None
    assert import_tides(stage.service, OTHER, "LANTERN", TIDES, ACTOR) is None
    given = before | {"site": before["site"] | {"name": "Theirs"}}
    done = import_site(stage.service, OTHER, json.dumps(given).encode(), Format.GEOJSON, ACTOR)

    assert done.new
    assert exported(stage) == before


def test_a_retired_site_is_not_given_out(stage: Stage) -> None:
    """It is no longer in use; importing it takes it back into use."""
    given = json.dumps(exported(stage)).encode()

    def retire(session: Any) -> None:
        row = sites.by_code(session, CLUB, "LANTERN")
        assert row is not None
        row.retired_at = BEGIN_AT

    stage.service.write(retire)
    assert export_site(stage.service, CLUB, "LANTERN", Format.GEOJSON) is None
    assert import_tides(stage.service, CLUB, "LANTERN", TIDES, ACTOR) is None

    assert not import_site(stage.service, CLUB, given, Format.GEOJSON, ACTOR).new
    assert export_site(stage.service, CLUB, "LANTERN", Format.GEOJSON) is not None


def test_a_club_that_does_not_exist_takes_no_site(stage: Stage) -> None:
    """That is an error of the caller."""
    data = json.dumps(exported(stage)).encode()

    with pytest.raises(LookupError, match="no club nowhere"):
        import_site(stage.service, "nowhere", data, Format.GEOJSON, ACTOR)


def test_two_imports_at_one_moment_make_one_site(stage: Stage) -> None:
    """Whoever comes second replaces what the first made."""
    given = exported(stage)
    given["site"]["code"] = "TWICE"
    data, gate, done = json.dumps(given).encode(), threading.Barrier(2), []

    def work() -> None:
        gate.wait()
        done.append(import_site(stage.service, CLUB, data, Format.GEOJSON, ACTOR).new)

    threads = [threading.Thread(target=work) for _ in range(2)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert sorted(done) == [False, True]
    assert exported(stage, "TWICE")["features"] == given["features"]


@pytest.fixture
def east(stage: Stage) -> Stage:
    """A stage whose club has a site EAST without tides."""
    given = exported(stage)
    given["site"]["code"] = "EAST"
    import_site(stage.service, CLUB, json.dumps(given).encode(), Format.GEOJSON, ACTOR)
    return stage


def test_tides_are_taken_and_given_out_again(east: Stage) -> None:
    """A time with an offset is that instant, one without is the site's; the log has the count and the file's mark."""
    first_at = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)

    done = import_tides(east.service, CLUB, "east", TIDES, ACTOR)

    assert done is not None
    assert (done.count, done.first_at) == (3, first_at)
    assert export_tides(east.service, CLUB, "EAST") == (
        b"at,height_m,high_or_low\r\n"
        b"2027-06-01T10:00:00+01:00,4.1,high\r\n"
        b"2027-06-01T16:10:00+01:00,1.2,low\r\n"
        b"2027-06-01T22:20:00+01:00,4,high\r\n"
    )
    kind, detail = log_of_club(east)[-1]
    assert kind == "tides_imported"
    assert detail == {
        "code": "EAST",
        "count": 3,
        "new": 3,
        "replaced": 0,
        "dropped": 0,
        "until": "2027-06-01T21:20:00.000000Z",
        "bytes": len(TIDES),
        "sha256": hashlib.sha256(TIDES).hexdigest(),
    }
    taken = file_plan(east.service, CLUB, plan(site="EAST"), BY_ANNA)
    assert isinstance(taken, PlanFiled)
    assert [one.height_m for one in taken.dive.plan.site.tides] == [4.1, 1.2, 4.0]


def test_tides_that_do_not_fit_what_is_around_them_are_refused(stage: Stage) -> None:
    """A list that is good in itself may still contradict what stands before and after it."""
    before = export_tides(stage.service, CLUB, "LANTERN")
    assert before is not None
    lines = before.decode().splitlines()
    turned = [
        lines[0],
        *(line.replace("high", "l").replace("low", "high").replace(",l", ",low") for line in lines[9:10]),
    ]

    with pytest.raises(SiteFileError, match="follow each other"):
        import_tides(stage.service, CLUB, "LANTERN", "\n".join(turned).encode(), ACTOR)

    assert export_tides(stage.service, CLUB, "LANTERN") == before
    assert log_of_club(stage) == []


def test_what_is_given_out_can_be_taken_again(stage: Stage) -> None:
    """The whole list, and nothing changes."""
    before = export_tides(stage.service, CLUB, "KELP")
    assert before is not None

    done = import_tides(stage.service, CLUB, "KELP", before, ACTOR)

    assert done is not None
    assert done.count > 100
    assert export_tides(stage.service, CLUB, "KELP") == before
