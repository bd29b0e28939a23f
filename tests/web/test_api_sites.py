"""Sites by script: listed, given out and taken in GeoJSON, GPX and CSV, each club its own."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from flask.testing import FlaskClient
from jsonschema import Draft202012Validator
from sqlalchemy import Engine
from werkzeug.test import TestResponse

from service.documents.site_reading import FILE_BYTES_MAX
from service.operations.pages import dive_details
from service.store import log
from service.store.engine import open_engine
from service.web.application import BODY_BYTES_MAX
from tests.documents.geojson_rules import breaches
from tests.web.installation import API_TOKEN, Site
from tests.web.other_club import FAR_TOKEN, add_far_club

GEOJSON, GPX = "application/geo+json", "application/gpx+xml"
TIDES = "at,height_m,high_or_low\n2027-06-01T10:00+01:00,4.1,high\n2027-06-01T16:10Z,1.2,low\n"


@pytest.fixture
def engine(migrated_url: str) -> Iterator[Engine]:
    """A migrated database of this test's own, once on SQLite and once on PostgreSQL."""
    opened = open_engine(migrated_url)
    yield opened
    opened.dispose()


@dataclass
class Script:
    """A script of a club, with its token."""

    client: FlaskClient
    token: str = API_TOKEN

    def get(self, path: str, **headers: str) -> TestResponse:
        """Get something."""
        return self.client.get(f"/api/v1/sites{path}", headers=self._headers() | headers)

    def put(self, path: str, data: bytes | str, kind: str) -> TestResponse:
        """Put a file."""
        return self.client.put(f"/api/v1/sites{path}", data=data, headers=self._headers() | {"Content-Type": kind})

    def _headers(self) -> dict[str, str]:
        return {"Authorization": f"Bearer {self.token}"}


@pytest.fixture
def script(client: FlaskClient) -> Script:
    """A script of the seeded club."""
    return Script(client)


@pytest.fixture
def stranger(at: Site, client: FlaskClient) -> Script:
    """A script of another club of the same installation."""
    add_far_club(at.service, at.clock.now())
    return Script(client, FAR_TOKEN)


def problem_of(answer: TestResponse, status: int) -> dict[str, Any]:
    """The problem document of an answer."""
    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json"), answer.text
    document: dict[str, Any] = answer.json  # type: ignore[assignment]
    return document


def exported(script: Script, code: str = "LANTERN") -> dict[str, Any]:
    """A site as GeoJSON."""
    answer = script.get(f"/{code}")
    assert (answer.status_code, answer.mimetype) == (200, GEOJSON)
    assert breaches(answer.data) == []
    parsed: dict[str, Any] = json.loads(answer.data)
    return parsed


def test_the_list_has_every_site_of_the_club_and_no_other(script: Script, stranger: Script) -> None:
    """With how much is known of each."""
    assert script.get("").json == {
        "sites": [
            {
                "code": "LANTERN",
                "name": "Lantern Steps",
                "zone": "Atlantic/Azores",
                "position": [47.12345, -20.54321],
                "rescue_call": "112, ask for sea rescue",
                "points": {"exit": 2, "parking": 1},
                "tides_until": None,
            }
        ]
    }
    assert stranger.get("").json == {"sites": []}


@pytest.mark.parametrize(
    ("path", "accept", "kind"),
    [
        pytest.param("", "*/*", GEOJSON, id="anything"),
        pytest.param("", GEOJSON, GEOJSON, id="GeoJSON"),
        pytest.param("", GPX, GPX, id="GPX by Accept"),
        pytest.param("", f"{GEOJSON};q=0.5, {GPX}", GPX, id="rather GPX"),
        pytest.param("", "text/html", GEOJSON, id="something else"),
        pytest.param("?format=gpx", GEOJSON, GPX, id="GPX by name"),
        pytest.param("?format=geojson", GPX, GEOJSON, id="GeoJSON by name"),
    ],
)
def test_a_site_comes_in_the_format_that_is_asked_for(script: Script, path: str, accept: str, kind: str) -> None:
    """By its name, else by the Accept header, else GeoJSON; the code in whatever case."""
    answer = script.get(f"/lantern{path}", Accept=accept)

    assert (answer.status_code, answer.mimetype) == (200, kind)


def test_a_format_that_we_do_not_have_is_refused(script: Script) -> None:
    """It says which there are."""
    assert "geojson, gpx" in problem_of(script.get("/LANTERN?format=kml"), 422)["detail"]


@pytest.mark.parametrize("kind", [GEOJSON, "application/json", GPX, "application/xml", "text/xml"])
def test_a_site_comes_back_the_same(script: Script, kind: str) -> None:
    """Also points without a position, in their order."""
    before = exported(script)
    data = script.get(f"/LANTERN?format={'gpx' if 'xml' in kind else 'geojson'}").data

    answer = script.put("/LANTERN", data, kind)

    assert answer.status_code == 200
    assert answer.json is not None
    assert (answer.json["new"], answer.json["notes"]) == (False, [])
    assert exported(script) == before


def test_a_new_code_makes_a_new_site_and_the_log_says_who(at: Site, script: Script) -> None:
    """201, with what was left out; the entry names the token."""
    given = exported(script)
    given["site"] = {"name": "East Steps", "depth": 18}

    answer = script.put("/EAST", json.dumps(given), GEOJSON)

    assert answer.status_code == 201
    assert answer.json is not None
    assert (answer.json["site"]["code"], answer.json["new"]) == ("EAST", True)
    assert answer.json["notes"] == [{"field": "site", "words": '"depth" is not known and was left out.'}]
    (entry,) = at.service.read(lambda session: log.entries(session, log.club_chain("skerry")))
    assert entry.kind == "site_imported"
    assert entry.actor is not None
    assert (entry.actor["name"], entry.actor["via"]) == ("script board", "api")


def test_a_bad_file_is_a_problem_with_an_entry_for_each_bad_feature(script: Script) -> None:
    """And nothing of it is taken."""
    before = exported(script)
    given = exported(script)
    given["site"]["name"] = "Another"
    given["features"][0]["properties"]["kind"] = "door"
    del given["features"][2]["properties"]["name"]

    problem = problem_of(script.put("/LANTERN", json.dumps(given), GEOJSON), 422)

    assert [error["field"] for error in problem["errors"]] == ["feature 1 of 3 (North slip)", "feature 3 of 3"]
    assert problem["detail"].startswith("feature 1 of 3 (North slip): ")
    assert exported(script) == before


def test_a_file_for_another_code_than_the_address_is_refused(script: Script) -> None:
    """One of the two is a mistake."""
    problem = problem_of(script.put("/SLIP", json.dumps(exported(script)), GEOJSON), 422)

    assert problem["errors"] == [
        {"field": "site", "words": 'It is "LANTERN", and SLIP is meant. Change one of the two.'}
    ]


def test_entities_are_refused_and_not_expanded(script: Script) -> None:
    """Neither from within nor from a file of this machine."""
    data = '<!DOCTYPE gpx [<!ENTITY a SYSTEM "file:///etc/hostname">]><gpx xmlns="http://www.topografix.com/GPX/1/1">&a;</gpx>'

    problem = problem_of(script.put("/LANTERN", data, GPX), 422)

    assert "declares a document type or entities" in problem["detail"]


def test_a_file_may_be_longer_than_other_bodies_but_not_than_a_megabyte(script: Script) -> None:
    """At the bound it is taken, a byte more is 413; ten megabytes are not even read."""
    data = json.dumps(exported(script)).encode()
    assert FILE_BYTES_MAX > BODY_BYTES_MAX

    assert script.put("/LANTERN", data + b" " * (FILE_BYTES_MAX - len(data)), GEOJSON).status_code == 200
    problem_of(script.put("/LANTERN", data + b" " * (FILE_BYTES_MAX + 1 - len(data)), GEOJSON), 413)
    problem_of(script.put("/LANTERN", b" " * 10_000_000, GPX), 413)
    problem_of(script.put("/LANTERN/tides", b" " * (FILE_BYTES_MAX + 1), "text/csv"), 413)


def test_other_addresses_keep_their_bound(client: FlaskClient) -> None:
    """The longer bodies are for files only."""
    headers = {"Authorization": f"Bearer {API_TOKEN}", "Content-Type": "application/json"}

    problem_of(client.post("/api/v1/plans", data=b" " * (BODY_BYTES_MAX + 1), headers=headers), 413)


@pytest.mark.parametrize(("path", "kind"), [("/LANTERN", "text/plain"), ("/LANTERN", ""), ("/LANTERN/tides", GEOJSON)])
def test_a_body_of_another_kind_is_refused(script: Script, path: str, kind: str) -> None:
    """Nobody guesses what a body is."""
    problem_of(script.put(path, "x", kind), 415)


def test_tides_are_taken_and_given_out(script: Script) -> None:
    """In the time of the site, with offsets; the list of sites knows until when."""
    taken = script.put("/LANTERN/tides", TIDES, "text/csv; charset=utf-8")

    assert taken.json == {"count": 2, "first_at": "2027-06-01T09:00:00Z", "last_at": "2027-06-01T16:10:00Z"}
    answer = script.get("/LANTERN/tides")
    assert answer.mimetype == "text/csv"
    assert answer.text == (
        "at,height_m,high_or_low\r\n2027-06-01T09:00:00+00:00,4.1,high\r\n2027-06-01T16:10:00+00:00,1.2,low\r\n"
    )
    listed = script.get("").json
    assert listed is not None
    assert listed["sites"][0]["tides_until"] == "2027-06-01T16:10:00Z"


def test_bad_tides_are_a_problem_with_an_entry_for_each_bad_line(script: Script) -> None:
    """And none of them is taken."""
    problem = problem_of(script.put("/LANTERN/tides", TIDES.replace("1.2", "low"), "text/csv"), 422)

    assert [error["field"] for error in problem["errors"]] == ["line 3"]
    assert script.get("/LANTERN/tides").text == "at,height_m,high_or_low\r\n"


def test_another_clubs_site_is_not_there(script: Script, stranger: Script) -> None:
    """404 to read; a file of that code becomes the stranger's own site, and ours stays as it is."""
    before = exported(script)

    problem_of(stranger.get("/LANTERN"), 404)
    problem_of(stranger.get("/LANTERN/tides"), 404)
    problem_of(stranger.put("/LANTERN/tides", TIDES, "text/csv"), 404)
    theirs = before | {"site": {"name": "Theirs"}}
    assert stranger.put("/LANTERN", json.dumps(theirs), GEOJSON).status_code == 201

    assert exported(script) == before
    assert exported(stranger)["site"]["name"] == "Theirs"
    assert exported(stranger)["site"]["rescue_call"] == "07700 900777"


@pytest.mark.parametrize(
    ("path", "method"), [("", "GET"), ("/X", "GET"), ("/X", "PUT"), ("/X/tides", "GET"), ("/X/tides", "PUT")]
)
def test_nobody_gets_in_without_a_token(client: FlaskClient, path: str, method: str) -> None:
    """Sites are the club's own."""
    problem_of(client.open(f"/api/v1/sites{path}", method=method), 401)


def test_a_filed_dive_keeps_its_site(at: Site, script: Script) -> None:
    """What the contacts were told stays true."""
    dive = at.filed()
    given = exported(script)
    given["site"]["name"] = "Another"
    assert script.put("/LANTERN", json.dumps(given), GEOJSON).status_code == 200

    details = dive_details(at.service, at.club_id, dive.id)
    assert details is not None
    assert details.dive.plan.site == dive.plan.site


def test_answers_are_as_described(script: Script, client: FlaskClient) -> None:
    """What is answered passes the schemas that are published."""
    components = json.loads(client.get("/api/openapi.json").text)["components"]
    answers = {
        "ClubSitesOut": script.get(""),
        "SiteTakenOut": script.put("/LANTERN", script.get("/LANTERN").data, GEOJSON),
        "TidesTakenOut": script.put("/LANTERN/tides", TIDES, "text/csv"),
    }

    for name, answer in answers.items():
        schema = {"$ref": f"#/components/schemas/{name}", "components": components}
        Draft202012Validator(schema, format_checker=Draft202012Validator.FORMAT_CHECKER).validate(answer.json)
