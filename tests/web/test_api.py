"""The API: plans, dives and deeds by script, strict about what it takes, with problem details for every refusal."""

from __future__ import annotations

import hashlib
import json
import re
from dataclasses import dataclass, field
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from service.domain.dive.commands import NoteHanded, Tick
from service.operations.recording import act
from service.store import tokens
from tests.web.installation import ANNA, API_TOKEN, BRAM, CLEO, DOV, PUBLIC_URL, RECEIVING, Site
from tests.web.other_club import FAR_TOKEN, add_far_club

PLAN: dict[str, Any] = {
    "site": "LANTERN",
    "time_in": None,
    "run_time_min": 50,
    "lead": {"name": "Anna Holt", "phone": "07700 900101"},
    "party": [{"name": "Bram Vik", "phone": BRAM}],
    "contacts": [{"name": "Cleo Marsh", "phone": CLEO}, {"name": "Dov Lind", "phone": DOV}],
    "exits": ["North slip", "Ladder"],
}


@dataclass
class Script:
    """A script of a club, with its token."""

    client: FlaskClient
    headers: dict[str, str] = field(default_factory=lambda: {"Authorization": f"Bearer {API_TOKEN}"})

    def post(self, path: str, body: object = None, **headers: str) -> TestResponse:
        """Post JSON."""
        data = b"" if body is None else json.dumps(body).encode()
        sent = {"Content-Type": "application/json", **self.headers, **headers}
        return self.client.post(f"/api/v1{path}", data=data, headers=sent)

    def get(self, path: str) -> TestResponse:
        """Get JSON."""
        return self.client.get(f"/api/v1{path}", headers=self.headers)

    def file(self, **changes: object) -> dict[str, Any]:
        """File a plan; what was answered."""
        answer = self.post("/plans", PLAN | changes)
        assert answer.status_code == 201, answer.text
        filed: dict[str, Any] = answer.json  # type: ignore[assignment]
        return filed


@pytest.fixture
def script(client: FlaskClient) -> Script:
    """A script of the seeded club."""
    return Script(client)


@pytest.fixture
def other_club(at: Site, client: FlaskClient) -> Script:
    """A script of another club of the same installation."""
    add_far_club(at.service, at.clock.now())
    return Script(client, {"Authorization": f"Bearer {FAR_TOKEN}"})


def assert_problem(answer: TestResponse, status: int) -> dict[str, Any]:
    """The answer is a problem document of that status; gives it."""
    assert (answer.status_code, answer.mimetype) == (status, "application/problem+json"), answer.text
    document: dict[str, Any] = answer.json  # type: ignore[assignment]
    assert document["status"] == status
    assert document["title"]
    assert document["type"] == "about:blank"
    return document


def test_a_plan_is_filed_with_codes_and_checks(at: Site, script: Script) -> None:
    """201 with id, codes, reference and advice; without a time in the times are not known yet."""
    filed = script.file(exits=[])

    dive = script.get(f"/dives/{filed['id']}").json
    assert dive is not None
    assert dive["phase"] == "filed"
    assert filed["due_out"] is None
    assert filed["raise_by"] is None
    assert filed["start_code"].isdigit()
    assert filed["finish_code"].isdigit()
    assert [check["field"] for check in filed["checks"]] == ["exits", "cross_checks"]
    assert [(one["key"], one["phone"]) for one in dive["party"]] == [("diver-0", ANNA), ("diver-1", BRAM)]


def test_a_planned_time_in_gives_due_out_and_raise_by(script: Script) -> None:
    """They are instants with an offset, whatever offset the plan came with."""
    filed = script.file(time_in="2027-06-01T13:00:00+01:00")

    assert filed["due_out"] == "2027-06-01T12:50:00Z"
    assert filed["raise_by"] == "2027-06-01T13:05:00Z"


def test_a_place_the_club_does_not_know_and_all_the_rest(script: Script) -> None:
    """Every field of a plan is taken."""
    filed = script.file(
        site={"name": "Far Cove", "position": [47.2, -20.6], "rescue_call": "112"},
        grace_min=10,
        depth_m=18,
        gas={"cylinder_l": 12, "fill_bar": 220, "reserve_bar": 50, "surface_rate_l_min": 18},
        vehicle="Green van",
        kit="Grey suits",
        smb="orange",
        notes="second dive after",
        water_c=9.5,
        medical="asthma",
        share_medical=True,
    )

    dive = script.get(f"/dives/{filed['id']}").json
    assert dive is not None
    assert dive["site"]["position"] == [47.2, -20.6]
    assert dive["site"]["name"] == "Far Cove"


def test_medical_words_without_leave_are_not_kept(at: Site, script: Script) -> None:
    """The answer says so, and the log has none of them."""
    filed = script.file(medical="asthma")

    assert "medical" in [check["field"] for check in filed["checks"]]
    assert "asthma" not in script.get(f"/dives/{filed['id']}").text


WRONG: dict[str, tuple[dict[str, object], str, str]] = {
    "an unknown field": ({"run_time": 50}, "run_time", "no such field"),
    "a field mistyped within": ({"lead": {"name": "A", "phon": ANNA}}, "lead.phon", "no such field"),
    "a time without offset": ({"time_in": "2027-06-01T13:00:00"}, "time_in", "offset from UTC"),
    "a time that is none": ({"time_in": "tomorrow"}, "time_in", "offset from UTC"),
    "a time at the end of time": ({"time_in": "9999-12-31T23:59:59-14:00"}, "time_in", "of this century"),
    "a number as text": ({"run_time_min": "50"}, "run_time_min", "Give float, not str"),
    "a negative run time": ({"run_time_min": -1}, "run_time_min", "0"),
    "no contacts": ({"contacts": []}, "contacts", "length"),
    "a contact without phone": ({"contacts": [{"name": "Cleo"}]}, "contacts[0].phone", "This field is needed"),
    "a latitude beyond the pole": (
        {"site": {"name": "X", "position": [97, 0], "rescue_call": "112"}},
        "site.position[0]",
        "90",
    ),
    "a position of one number": (
        {"site": {"name": "X", "position": [7], "rescue_call": "1"}},
        "site.position",
        "length",
    ),
    "a depth of nothing": ({"depth_m": 0}, "depth_m", "0"),
    "a long note": ({"notes": "n" * 301}, "notes", "300"),
    "a contact at our number": (
        {"contacts": [{"name": "Cleo", "phone": RECEIVING}]},
        "contacts",
        "Cleo: This is the club's own number for texts. Give the person's own phone.",
    ),
    "a lead at our number": ({"lead": {"name": "Anna", "phone": RECEIVING}}, "lead", "the club's own number"),
    "an unknown site": ({"site": "NOWHERE"}, "site", "has no site NOWHERE"),
    "a run time of 20 hours": ({"run_time_min": 1200}, "run_time_min", "from 5 to 360"),
    "a time in the past": ({"time_in": "2027-06-01T08:00:00Z"}, "time_in", "has passed"),
    "a phone with letters": ({"contacts": [{"name": "Cleo", "phone": "none"}]}, "contacts", "Cleo"),
    "contacts who dive": ({"contacts": [{"name": "Anna", "phone": ANNA}]}, "contacts", "in the water with you"),
    "a lead without phone": ({"lead": {"name": "Anna Holt"}}, "lead", "needs a mobile number"),
    "a longer grace": ({"grace_min": 60}, "grace_min", "only shorten"),
    "gas below its reserve": (
        {"gas": {"cylinder_l": 12, "fill_bar": 50, "reserve_bar": 50, "surface_rate_l_min": 18}},
        "gas",
        "reserve",
    ),
}


@pytest.mark.parametrize(("changes", "field", "words"), WRONG.values(), ids=WRONG)
def test_what_is_wrong_with_a_plan_is_told_by_field(
    script: Script, changes: dict[str, object], field: str, words: str
) -> None:
    """422 names the field as the API spells it and says what to give; nothing is filed."""
    document = assert_problem(script.post("/plans", PLAN | changes), 422)

    told = {error["field"]: error["words"] for error in document["errors"]}
    assert field in told, told
    assert words in told[field]
    assert script.get("/dives").json == {"dives": [], "next": None}


@pytest.mark.parametrize("missing", ["site", "run_time_min", "lead", "contacts"])
def test_a_missing_field_is_named(script: Script, missing: str) -> None:
    """Without it there is no plan."""
    document = assert_problem(script.post("/plans", {k: v for k, v in PLAN.items() if k != missing}), 422)

    assert document["errors"] == [{"field": missing, "words": "This field is needed."}]


@pytest.mark.parametrize(
    "body", [b"{", b"[1,", b"\xff\xfe", b'{"run_time_min": NaN}', b'{"a":' * 5000, b""], ids=lambda b: repr(b[:12])
)
def test_a_body_that_is_no_json_is_refused(script: Script, body: bytes) -> None:
    """400, also for NaN, which JSON does not have, and for nesting without end."""
    headers = {**script.headers, "Content-Type": "application/json"}

    answer = script.client.post("/api/v1/plans", data=body, headers=headers)

    assert_problem(answer, 400)


@pytest.mark.parametrize("number", ["1e999", "-1e999", "1" * 400])
def test_a_number_beyond_all_bounds_is_refused(script: Script, number: str) -> None:
    """No infinity comes in by the back door."""
    body = json.dumps(PLAN).replace("50", number, 1)
    headers = {**script.headers, "Content-Type": "application/json"}

    answer = script.client.post("/api/v1/plans", data=body, headers=headers)

    assert answer.status_code in {400, 422}
    assert answer.mimetype == "application/problem+json"


@pytest.mark.parametrize("body", ["[]", '"plan"', "7", "null"])
def test_json_that_is_no_object_is_refused(script: Script, body: str) -> None:
    """422 says what was expected."""
    headers = {**script.headers, "Content-Type": "application/json"}

    assert_problem(script.client.post("/api/v1/plans", data=body, headers=headers), 422)


def test_errors_of_the_way_are_problems_too(script: Script) -> None:
    """Unknown address, wrong method, wrong type, too much."""
    form = {**script.headers, "Content-Type": "application/x-www-form-urlencoded"}
    large = json.dumps(PLAN | {"notes": "n" * 70_000})
    headers = {**script.headers, "Content-Type": "application/json"}

    assert_problem(script.client.get("/api/v2/none", headers=script.headers), 404)
    assert "POST" in script.client.get("/api/v1/plans", headers=script.headers).headers["Allow"]
    assert_problem(script.client.get("/api/v1/plans", headers=script.headers), 405)
    assert_problem(script.client.post("/api/v1/plans", data="site=LANTERN", headers=form), 415)
    assert_problem(script.client.post("/api/v1/plans", data=large, headers=headers), 413)


@pytest.mark.parametrize("header", ["", "Bearer", "Bearer wrong", f"Basic {API_TOKEN}", API_TOKEN, "Bearer \u00e9"])
def test_a_wrong_token_opens_nothing(client: FlaskClient, header: str) -> None:
    """401, and the answer says how to send one."""
    answer = client.get("/api/v1/dives", headers={"Authorization": header})

    assert_problem(answer, 401)
    assert answer.headers["WWW-Authenticate"] == "Bearer"


@pytest.mark.parametrize("scheme", ["Bearer", "bearer", "BEARER"])
def test_the_scheme_is_written_in_any_case(client: FlaskClient, scheme: str) -> None:
    """As HTTP has it; some libraries write it small."""
    answer = client.get("/api/v1/dives", headers={"Authorization": f"{scheme} {API_TOKEN}"})

    assert answer.status_code == 200


def test_a_revoked_token_opens_nothing(at: Site, script: Script) -> None:
    """From the moment it is revoked."""
    hashed = hashlib.sha256(API_TOKEN.encode()).hexdigest()

    def revoke(session: Session) -> None:
        token = tokens.find(session, hashed)
        assert token is not None
        tokens.revoke(session, token.id, at.clock.now())

    assert script.get("/dives").status_code == 200
    at.service.write(revoke)

    assert_problem(script.get("/dives"), 401)


def test_a_dive_goes_from_start_to_finish(at: Site, script: Script) -> None:
    """Each deed answers with the dive as it stands after it."""
    dive_id = script.file()["id"]

    started = script.post(f"/dives/{dive_id}/start", {"count": 2, "position": [47.1, -20.5]}).json
    act(at.service, dive_id, NoteHanded("start_notice", "contact-0"))
    armed = script.get(f"/dives/{dive_id}").json
    at.clock.forward(40)
    finished = script.post(f"/dives/{dive_id}/finish", {"count": 2}).json

    assert started is not None
    assert armed is not None
    assert finished is not None
    assert (started["phase"], started["armed"], started["head_count"]) == ("in_water", False, 2)
    assert (started["started_at"], started["due_out"], started["raise_by"]) == (
        "2027-06-01T10:00:00Z",
        "2027-06-01T10:50:00Z",
        "2027-06-01T11:05:00Z",
    )
    assert armed["armed"] is True
    assert (finished["phase"], finished["outcome"]) == ("closed", "surfaced")


def test_the_log_names_the_script(script: Script) -> None:
    """Who closed a dive can be told: the name of the token."""
    dive_id = script.file()["id"]
    script.post(f"/dives/{dive_id}/call-off")

    details = script.get(f"/dives/{dive_id}").json
    assert details is not None
    closed = [event for event in details["events"] if event["kind"] == "event:closed"]
    assert [event["actor"]["name"] for event in closed] == ["script board"]
    assert [event["actor"]["via"] for event in closed] == ["api"]


def test_a_partial_finish_leaves_the_clock_running(script: Script) -> None:
    """Fewer than went in is recorded and is no finish."""
    dive_id = script.file()["id"]
    script.post(f"/dives/{dive_id}/start")

    answer = script.post(f"/dives/{dive_id}/finish", {"count": 1})

    assert answer.json is not None
    assert answer.json["phase"] == "in_water"


@pytest.mark.parametrize("body", [{"minutes": 20}, {"until": "11:10"}])
def test_extending_by_minutes_or_until_a_time(at: Site, script: Script, body: dict[str, object]) -> None:
    """The new due out counts once a contact holds it."""
    dive_id = script.file()["id"]
    script.post(f"/dives/{dive_id}/start")

    asked = script.post(f"/dives/{dive_id}/extend", body).json
    act(at.service, dive_id, NoteHanded("extension-1", "contact-0"))

    assert asked is not None
    assert asked["due_out"] == "2027-06-01T10:50:00Z"
    later = script.get(f"/dives/{dive_id}").json
    assert later is not None
    assert later["due_out"] == "2027-06-01T11:10:00Z"


@pytest.mark.parametrize(
    "body", [{}, {"minutes": 10, "until": "11:00"}, {"minutes": 0}, {"until": "25:00"}, {"minutes": 1.5}]
)
def test_an_extension_that_is_not_clear_is_refused(script: Script, body: dict[str, object]) -> None:
    """Exactly one of minutes and until."""
    dive_id = script.file()["id"]
    script.post(f"/dives/{dive_id}/start")

    assert_problem(script.post(f"/dives/{dive_id}/extend", body), 422)


def test_raising_alerts_with_the_note(script: Script) -> None:
    """The contacts are told at once, word for word."""
    dive_id = script.file()["id"]
    script.post(f"/dives/{dive_id}/start")

    raised = script.post(f"/dives/{dive_id}/raise", {"note": "Bram is missing"}).json

    assert raised is not None
    assert raised["phase"] == "alert"
    details = script.get(f"/dives/{dive_id}").json
    assert details is not None
    alerts = [message for message in details["messages"] if message["kind"] == "alert"]
    assert {message["to"] for message in alerts} >= {"contact-0", "contact-1"}
    assert all("Bram is missing" in message["body"] for message in alerts)


REFUSED: dict[str, tuple[list[str], str, object, str]] = {
    "finish when nothing ever began is allowed, start after it is not": (["call-off"], "start", None, "closed"),
    "start twice": (["start"], "start", None, "already_started"),
    "call off in mid-dive": (["start"], "call-off", None, "in_the_water"),
    "extend before the start": ([], "extend", {"minutes": 10}, "not_started"),
    "extend past the cap": (["start"], "extend", {"minutes": 90}, "past_the_cap"),
    "more out than in": (["start"], "finish", {"count": 5}, "more_than_the_party"),
}


@pytest.mark.parametrize(("before", "deed", "body", "code"), REFUSED.values(), ids=REFUSED)
def test_a_deed_that_does_not_fit_is_refused_with_code_and_words(
    script: Script, before: list[str], deed: str, body: object, code: str
) -> None:
    """409, with a constant code for programs and words for people."""
    dive_id = script.file()["id"]
    for earlier in before:
        assert script.post(f"/dives/{dive_id}/{earlier}").status_code == 200

    document = assert_problem(script.post(f"/dives/{dive_id}/{deed}", body), 409)

    assert document["code"] == code
    assert document["detail"]


def test_dives_are_listed_by_phase(script: Script) -> None:
    """Latest first, or those of one phase; an unknown phase is refused."""
    first, second = script.file()["id"], script.file(lead={"name": "Edda Rowe", "phone": "+447700900109"})["id"]
    script.post(f"/dives/{first}/start")

    def ids(path: str) -> set[str]:
        listed = script.get(path).json
        assert listed is not None
        return {dive["id"] for dive in listed["dives"]}

    assert ids("/dives") == {first, second}
    assert ids("/dives?phase=in_water") == {first}
    assert ids("/dives?phase=distress") == set()
    assert_problem(script.get("/dives?phase=asleep"), 422)


def test_a_dive_has_its_events_and_messages(at: Site, script: Script) -> None:
    """From filing to the alert, in order, with the state of every message."""
    dive_id = script.file()["id"]
    script.post(f"/dives/{dive_id}/start")
    at.clock.forward(70)
    act(at.service, dive_id, Tick())

    details = script.get(f"/dives/{dive_id}").json

    assert details is not None
    kinds = [event["kind"] for event in details["events"] if event["kind"].startswith("event:")]
    assert kinds[:2] == ["event:filed", "event:started"]
    assert "event:step_taken" in kinds
    assert [event["seq"] for event in details["events"]] == list(range(1, len(details["events"]) + 1))
    assert {message["kind"] for message in details["messages"]} >= {"reply", "start_notice", "alert"}
    assert {message["state"] for message in details["messages"]} <= {"queued", "expired"}


def test_a_script_gets_no_token_of_a_contacts_link(script: Script) -> None:
    """It could act as the contact with it; the address is cut before the token."""
    dive_id = script.file()["id"]
    script.post(f"/dives/{dive_id}/start")

    details = script.get(f"/dives/{dive_id}").json

    assert details is not None
    bodies = " ".join(message["body"] for message in details["messages"])
    assert f"{PUBLIC_URL}/alarm/..." in bodies
    assert re.findall(r"/(?:alarm|dive)/[A-Za-z0-9_-]{10,}", bodies) == []


DEEDS: list[tuple[str, object]] = [
    ("start", None),
    ("finish", {"count": 2}),
    ("extend", {"minutes": 10}),
    ("call-off", None),
    ("raise", None),
    ("fix", {"position": [47.1, -20.5]}),
]


@pytest.mark.parametrize(("deed", "body"), DEEDS)
def test_another_club_can_neither_see_nor_touch_a_dive(
    script: Script, other_club: Script, deed: str, body: object
) -> None:
    """To its token the dive does not exist."""
    dive_id = script.file()["id"]

    assert_problem(other_club.post(f"/dives/{dive_id}/{deed}", body), 404)
    assert_problem(other_club.get(f"/dives/{dive_id}"), 404)
    assert other_club.get("/dives").json == {"dives": [], "next": None}
    kept = script.get(f"/dives/{dive_id}").json
    assert kept is not None
    assert kept["phase"] == "filed"


def test_a_dive_that_never_was_is_not_found(script: Script) -> None:
    """By any deed."""
    assert_problem(script.get("/dives/none"), 404)
    assert_problem(script.post("/dives/none/start"), 404)


def test_with_the_database_away_a_script_hears_503(at: Site, script: Script) -> None:
    """As a problem document with a time to come back."""
    with at.service.engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE api_tokens RENAME TO api_tokens_away")

    answer = script.get("/dives")

    assert_problem(answer, 503)
    assert answer.headers["Retry-After"] == "5"
    assert RECEIVING not in answer.text
