"""A plan or a deed that a script sends again under the same key, since its answer was lost: it is done once."""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

from service.domain.dive.commands import NoteHanded, ReportSafe
from service.domain.people import Actor, Role, Via
from service.operations.links import hash_token
from service.operations.recording import act
from service.store import tokens
from tests.web.installation import CLEO, Site
from tests.web.test_api import PLAN, Script, assert_problem

KEY = {"Idempotency-Key": "7c1f"}
CLEO_TEXTS = Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, key="contact-0", phone=CLEO, words="SAFE 2")

DEEDS: dict[str, tuple[list[str], object, object]] = {
    "start": ([], {"count": 2}, {"count": 3}),
    "finish": (["start"], {"count": 1}, {"count": 2}),
    "extend": (["start"], {"minutes": 10}, {"until": "11:10"}),
    "call-off": ([], None, None),
    "raise": (["start"], {"note": "Bram is missing"}, {"note": "Bram is found, Anna is not"}),
    "fix": (["start"], {"position": [47.1, -20.5]}, {"position": [47.1, -20.51]}),
}


@pytest.fixture
def script(client: FlaskClient) -> Script:
    """A script of the seeded club."""
    return Script(client)


def dive_of(script: Script, *deeds: str) -> str:
    """A dive to which that was done."""
    dive_id: str = script.file()["id"]
    for deed in deeds:
        assert script.post(f"/dives/{dive_id}/{deed}").status_code == 200
    return dive_id


def happened(script: Script, dive_id: str) -> tuple[int, int]:
    """How many entries a dive's log has, and how many messages it has."""
    details: dict[str, Any] = script.get(f"/dives/{dive_id}").json
    return len(details["events"]), len(details["messages"])


def test_one_key_files_once(script: Script) -> None:
    """The second request is answered with the first one's dive, 200 and not 201."""
    key = {"Idempotency-Key": "plan-17"}

    first = script.post("/plans", PLAN, **key)
    second = script.post("/plans", PLAN, **key)
    third = script.post("/plans", PLAN, **{"Idempotency-Key": "plan-18"})

    assert (first.status_code, second.status_code, third.status_code) == (201, 200, 201)
    one, again, other = (answer.json for answer in (first, second, third))
    assert len({filed.pop("page") for filed in (one, again, other)}) == 3, "an address is kept nowhere: each is new"
    assert one == again
    assert other != one


def test_another_plan_under_a_used_key_is_a_problem(script: Script) -> None:
    """422: whoever sent it must not take the first plan's codes and times for those of the second."""
    key = {"Idempotency-Key": "plan-17"}
    script.post("/plans", PLAN, **key)

    document = assert_problem(script.post("/plans", PLAN | {"run_time_min": 40}, **key), 422)
    again = script.post("/plans", dict(reversed(PLAN.items())), **key)

    assert document["code"] == "key_used"
    assert document["detail"] == (
        "This Idempotency-Key was used for another plan. Nothing was done. Give each plan a key of its own."
    )
    assert again.status_code == 200


@pytest.mark.parametrize("key", ["", "k" * 201, "caf\u00e9"])
def test_a_key_that_cannot_be_kept_files_nothing(script: Script, key: str) -> None:
    """400 in words, and nothing is filed."""
    assert_problem(script.post("/plans", PLAN, **{"Idempotency-Key": key}), 400)
    assert script.get("/dives").json == {"dives": [], "next": None}


@pytest.mark.parametrize(("before", "body", "other"), DEEDS.values(), ids=DEEDS)
def test_a_deed_that_is_sent_again_is_done_once(
    script: Script, request: pytest.FixtureRequest, before: list[str], body: object, other: object
) -> None:
    """The second answer is the first's, and the log and the messages have it once."""
    deed = request.node.callspec.id
    dive_id = dive_of(script, *before)

    first = script.post(f"/dives/{dive_id}/{deed}", body, **KEY)
    once = happened(script, dive_id)
    second = script.post(f"/dives/{dive_id}/{deed}", body, **KEY)

    assert (first.status_code, second.status_code) == (200, 200)
    assert second.json == first.json
    assert happened(script, dive_id) == once


def test_ten_minutes_more_are_ten_however_often_they_are_asked_for(at: Site, script: Script) -> None:
    """Also once the new time holds; under a key of its own it is ten more."""
    dive_id = dive_of(script, "start")

    for _ in range(3):
        script.post(f"/dives/{dive_id}/extend", {"minutes": 10}, **KEY)
        act(at.service, dive_id, NoteHanded("extension-1", "contact-0"))
    again = script.post(f"/dives/{dive_id}/extend", {"minutes": 10}, **KEY).json
    script.post(f"/dives/{dive_id}/extend", {"minutes": 10}, **{"Idempotency-Key": "7c20"})
    act(at.service, dive_id, NoteHanded("extension-2", "contact-0"))

    assert again is not None
    assert again["due_out"] == "2027-06-01T11:00:00Z"
    later = script.get(f"/dives/{dive_id}").json
    assert later is not None
    assert later["due_out"] == "2027-06-01T11:10:00Z"


@pytest.mark.parametrize("deed", ["finish", "extend", "call-off", "start", "fix"])
def test_a_key_of_another_deed_is_a_problem(script: Script, deed: str) -> None:
    """422 says which deed it was used for, and nothing changes."""
    dive_id = dive_of(script)
    script.post(f"/dives/{dive_id}/start", {"count": 2}, **KEY)
    once = happened(script, dive_id)
    other = {"start": {"count": 3}, "extend": {"minutes": 10}, "fix": {"position": [47.1, -20.5]}}.get(deed)

    document = assert_problem(script.post(f"/dives/{dive_id}/{deed}", other, **KEY), 422)

    assert document["code"] == "key_used"
    assert document["detail"] == (
        "This Idempotency-Key was used for another request to this dive (start). Nothing was done."
        " Give each deed a key of its own."
    )
    assert happened(script, dive_id) == once


@pytest.mark.parametrize("used_for", [("start", None), ("raise", {"note": "Bram is missing"})])
def test_an_alarm_is_raised_under_any_key(script: Script, used_for: tuple[str, object]) -> None:
    """A mistake with keys keeps no alarm from going out, nor words that are new in it."""
    dive_id = dive_of(script, *(["start"] if used_for[0] == "raise" else []))
    script.post(f"/dives/{dive_id}/{used_for[0]}", used_for[1], **KEY)

    answer = script.post(f"/dives/{dive_id}/raise", {"note": "Anna is missing"}, **KEY)

    assert answer.status_code == 200
    details: dict[str, Any] = script.get(f"/dives/{dive_id}").json
    assert details["phase"] == "alert"
    assert any("Anna is missing" in message["body"] for message in details["messages"])


def test_an_alarm_that_ended_is_not_taken_for_one_that_is_up(at: Site, script: Script) -> None:
    """Raised before and over since: 409 says so, since nobody can know whether it is meant anew."""
    dive_id = dive_of(script, "start")
    script.post(f"/dives/{dive_id}/raise", **KEY)
    act(at.service, dive_id, ReportSafe(CLEO_TEXTS, 2))

    document = assert_problem(script.post(f"/dives/{dive_id}/raise", **KEY), 409)

    assert document["code"] == "over_since"
    assert document["detail"] == (
        "This alarm was raised, and the dive has ended since. Nothing was done."
        " If somebody is in trouble now, raise it under a new Idempotency-Key."
    )
    assert script.post(f"/dives/{dive_id}/raise", **{"Idempotency-Key": "7c20"}).status_code == 200


def test_what_was_refused_may_be_asked_again_under_its_key(script: Script) -> None:
    """Nothing was done under it, as with a plan."""
    dive_id = dive_of(script)

    assert_problem(script.post(f"/dives/{dive_id}/extend", {"minutes": 10}, **KEY), 409)
    script.post(f"/dives/{dive_id}/start")

    assert script.post(f"/dives/{dive_id}/extend", {"minutes": 10}, **KEY).status_code == 200


def test_a_key_counts_for_one_dive_and_one_token(at: Site, script: Script) -> None:
    """Two scripts that count from one, or one that counts for each dive, keep no deed from each other."""
    first = dive_of(script, "start")
    second: str = script.file(lead={"name": "Edda Rowe", "phone": "+447700900109"}, party=[])["id"]
    at.service.write(
        lambda session: tokens.add(
            session, club_id="skerry", name="kiosk", token_hash=hash_token("kiosk"), now=at.clock.now()
        )
    )
    kiosk = Script(script.client, {"Authorization": "Bearer kiosk"})

    assert script.post(f"/dives/{second}/start", **KEY).status_code == 200
    assert script.post(f"/dives/{first}/fix", {"position": [47.1, -20.5]}, **KEY).status_code == 200
    assert kiosk.post(f"/dives/{first}/finish", {"count": 2}, **KEY).status_code == 200


@pytest.mark.parametrize("key", ["", "k" * 201, "caf\u00e9"])
def test_a_key_that_cannot_be_kept_is_refused(script: Script, key: str) -> None:
    """400 in words, and nothing is done: the script could not find out by it whether it was."""
    dive_id = dive_of(script)

    document = assert_problem(script.post(f"/dives/{dive_id}/start", **{"Idempotency-Key": key}), 400)

    assert document["detail"] == "Idempotency-Key is 1 to 200 printable ASCII characters."
    kept = script.get(f"/dives/{dive_id}").json
    assert kept is not None
    assert kept["phase"] == "filed"


def test_an_alarm_with_a_long_note_is_raised(script: Script) -> None:
    """What is beyond 300 characters is cut: whoever types on in distress must not meet an error."""
    dive_id = dive_of(script, "start")

    answer = script.post(f"/dives/{dive_id}/raise", {"note": "Bram is missing " + "n" * 400})

    assert answer.status_code == 200
    details: dict[str, Any] = script.get(f"/dives/{dive_id}").json
    raised = [event["detail"] for event in details["events"] if event["kind"] == "event:alarm_raised"]
    assert [len(one["note"]) for one in raised] == [300]


def test_an_alarm_is_raised_under_a_key_that_cannot_be_kept(script: Script) -> None:
    """As without one."""
    dive_id = dive_of(script, "start")

    assert script.post(f"/dives/{dive_id}/raise", **{"Idempotency-Key": "k" * 201}).status_code == 200
