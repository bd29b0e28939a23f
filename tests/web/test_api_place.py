"""The API about places: a fix by script, and what a dive knows of where its party is and what the water does."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from datetime import timedelta

import pytest
from flask.testing import FlaskClient

from service.domain.dive.commands import ReportConditions, ReportOnScene
from service.domain.people import Actor, Role, Via
from service.domain.place.conditions import Current, Wind
from service.operations.recording import act
from tests.web.installation import CLEO, Site
from tests.web.test_api import Script, assert_problem

CLEO_BY_PAGE = Actor(Role.CONTACT, "Cleo Marsh", Via.PAGE, key="contact-0", phone=CLEO, words="At the site")

COLLECTED_ALL_THE_TIME = """
import gc
from service.web import openapi
gc.set_threshold(1, 1, 1)
for _ in range(10):
    openapi.document("http://dives.test")
"""


@pytest.fixture
def script(client: FlaskClient) -> Script:
    """A script of the seeded club."""
    return Script(client)


def started(script: Script, **changes: object) -> str:
    """The id of a dive in the water."""
    filed = script.file(**changes)
    assert script.post(f"/dives/{filed['id']}/start").status_code == 200
    return str(filed["id"])


@pytest.mark.parametrize(
    "position",
    [[47.1231, -20.544], "47.1231, -20.544", "47 07.386N 020 32.640W", "geo:47.1231,-20.544", "4FF4+6CR"],
)
def test_a_fix_is_taken_as_numbers_or_as_text(script: Script, position: object) -> None:
    """In any form; a short plus code is looked for at the site. The answer is the dive as it stands now."""
    dive = started(script)

    answer = script.post(f"/dives/{dive}/fix", {"position": position, "accuracy_m": 8, "at": "2027-06-01T09:59:00Z"})

    assert answer.status_code == 200
    (fix,) = answer.json["fixes"]  # type: ignore[index]
    assert fix["position"] == pytest.approx([47.1231, -20.544], abs=0.0001)
    rest = {name: value for name, value in fix.items() if name != "position"}
    assert rest == {
        "at": "2027-06-01T09:59:00Z",
        "by": "script board",
        "source": "script",
        "accuracy_m": 8.0,
        "doubt": None,
    }
    assert answer.json["last_position"] == fix  # type: ignore[index]
    assert answer.json["phase"] == "in_water"  # type: ignore[index]


def test_a_square_brings_its_own_accuracy(script: Script) -> None:
    """Unless the script says another; without a time it is of now."""
    dive = started(script)

    fixes = script.post(f"/dives/{dive}/fix", {"position": "27T WN 346 189"}).json["fixes"]  # type: ignore[index]

    assert fixes[0]["accuracy_m"] == pytest.approx(71, abs=1)
    assert fixes[0]["at"] == "2027-06-01T10:00:00Z"


def test_a_fix_in_doubt_is_kept_and_not_the_last_position(script: Script) -> None:
    """Where they went in stays the last one known."""
    dive = started(script)

    answer = script.post(f"/dives/{dive}/fix", {"position": [20.1, -20.5]})

    assert [fix["doubt"] for fix in answer.json["fixes"]] == ["far"]  # type: ignore[index]
    last = answer.json["last_position"]  # type: ignore[index]
    assert (last["source"], last["position"]) == ("entry", [47.12345, -20.54321])


@pytest.mark.parametrize(
    ("body", "field", "words"),
    [
        ({}, "position", "This field is needed."),
        ({"position": "by the pier"}, "position", "Give a position such as"),
        ({"position": ""}, "position", "Give a position such as"),
        ({"position": "9" * 500}, "position", "Give a position such as"),
        ({"position": "91.1234, -5.2"}, "position", "Latitude 91.1234 is impossible"),
        ({"position": [91, 0]}, "position[0]", "<= 90"),
        ({"position": [47.1]}, "position", "length 2"),
        ({"position": [47.1, -20.5], "accuracy_m": -1}, "accuracy_m", ">= 0"),
        ({"position": [47.1, -20.5], "at": "2027-06-01T10:00:00"}, "at", "Give a time with its offset"),
        ({"position": [47.1, -20.5], "at": "0001-01-01T00:00:00+23:00"}, "at", "of this century"),
        ({"position": [47.1, -20.5], "depth": 4}, "depth", "There is no such field."),
    ],
)
def test_what_is_wrong_with_a_fix_is_told_by_field(
    script: Script, body: dict[str, object], field: str, words: str
) -> None:
    """And nothing of it is kept."""
    dive = started(script)

    document = assert_problem(script.post(f"/dives/{dive}/fix", body), 422)

    assert [error["field"] for error in document["errors"]] == [field]
    assert words in document["errors"][0]["words"]
    assert script.get(f"/dives/{dive}").json["fixes"] == []  # type: ignore[index]


def test_a_fix_after_the_end_or_for_no_dive_is_refused(script: Script) -> None:
    """With the code of the refusal."""
    dive = started(script)
    script.post(f"/dives/{dive}/finish", {"count": 2})

    closed = assert_problem(script.post(f"/dives/{dive}/fix", {"position": [47.1, -20.5]}), 409)
    assert closed["code"] == "closed"
    assert_problem(script.post("/dives/none/fix", {"position": [47.1, -20.5]}), 404)


def test_a_dive_tells_what_the_water_does_and_who_is_there(at: Site, script: Script) -> None:
    """Null and empty until somebody says so."""
    dive = started(script)
    before = script.get(f"/dives/{dive}").json
    act(at.service, dive, ReportConditions(CLEO_BY_PAGE, Current(70, 0.8), Wind(225, 12)))
    act(at.service, dive, ReportOnScene(CLEO_BY_PAGE))

    after = script.get(f"/dives/{dive}").json
    assert before is not None
    assert after is not None
    assert (before["conditions"], before["on_scene"]) == (None, [])
    assert after["conditions"] == {
        "at": "2027-06-01T10:00:00Z",
        "by": "Cleo Marsh",
        "current": {"set_deg": 70.0, "drift_kn": 0.8, "at": "2027-06-01T10:00:00Z", "by": "Cleo Marsh"},
        "wind": {"from_deg": 225.0, "speed_kn": 12.0, "at": "2027-06-01T10:00:00Z", "by": "Cleo Marsh"},
    }
    assert after["on_scene"] == [{"key": "contact-0", "at": "2027-06-01T10:00:00Z"}]


def test_only_one_of_current_and_wind_is_null_for_the_other(at: Site, script: Script) -> None:
    """What was not said is not made up."""
    dive = started(script)
    act(at.service, dive, ReportConditions(CLEO_BY_PAGE, None, Wind(225, 12)))

    seen = script.get(f"/dives/{dive}").json["conditions"]  # type: ignore[index] # it is JSON
    assert seen["current"] is None
    assert seen["wind"]["speed_kn"] == 12.0


def test_current_and_wind_have_each_their_time_and_who_saw_it(at: Site, script: Script) -> None:
    """Those of both are of the last that anybody said."""
    dive = started(script)
    act(at.service, dive, ReportConditions(CLEO_BY_PAGE, Current(70, 0.8), None))
    at.clock.at += timedelta(minutes=20)
    act(
        at.service, dive, ReportConditions(replace(CLEO_BY_PAGE, name="Dov Lind", key="contact-1"), None, Wind(225, 12))
    )

    seen = script.get(f"/dives/{dive}").json["conditions"]  # type: ignore[index] # it is JSON
    assert (seen["at"], seen["by"]) == ("2027-06-01T10:20:00Z", "Dov Lind")
    assert (seen["current"]["at"], seen["current"]["by"]) == ("2027-06-01T10:00:00Z", "Cleo Marsh")
    assert (seen["wind"]["at"], seen["wind"]["by"]) == ("2027-06-01T10:20:00Z", "Dov Lind")


def test_before_the_start_a_dive_has_no_position(script: Script) -> None:
    """Nobody is known to be in the water."""
    filed = script.file()

    assert script.get(f"/dives/{filed['id']}").json["last_position"] is None  # type: ignore[index]


def test_the_shapes_are_looked_at_safely_while_garbage_is_collected() -> None:
    """In a process of its own, since what went wrong here once took the interpreter down."""
    ran = subprocess.run([sys.executable, "-c", COLLECTED_ALL_THE_TIME], check=False, timeout=120)

    assert ran.returncode == 0
