"""A call for help for a dive that cannot be read, by script, page and desk: its people are told all the same."""

from __future__ import annotations

import pytest
from flask.testing import FlaskClient

from service.domain.dive.commands import Finish, Start
from service.domain.people import Actor, Role, Via
from service.operations.admin_roles import AdminRole
from service.operations.recording import act
from service.store import log, outbox
from service.store.tables import DiveRow
from tests.web.desk.entering import enter, post
from tests.web.installation import CLEO, DOV, Site
from tests.web.other_club import FAR_TOKEN, add_far_club
from tests.web.test_api import Script, assert_problem
from tests.web.test_api_unreadable import damage

BY_ANNA = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", words="IN")


@pytest.fixture
def script(client: FlaskClient) -> Script:
    """A script of the seeded club."""
    return Script(client)


@pytest.fixture
def dive_id(at: Site) -> str:
    """A dive under way."""
    dive = at.filed()
    act(at.service, dive.id, Start(BY_ANNA))
    return dive.id


def told(at: Site, dive_id: str) -> set[str]:
    """The phones that are told of a service fault."""
    found = at.service.read(lambda session: outbox.of_dive(session, dive_id))
    return {message.phone for message in found if "SERVICE FAULT" in message.body}


def refusals(at: Site, dive_id: str) -> list[tuple[str, str]]:
    """Who asked for what that the rules could not decide, by the log."""
    entries = at.service.read(lambda session: log.entries(session, log.dive_chain(dive_id)))
    return [
        (str((entry.actor or {}).get("name")), str((entry.detail or {}).get("words")))
        for entry in entries
        if entry.kind == "refused"
    ]


def test_a_script_that_raises_it_has_its_people_told(at: Site, script: Script, dive_id: str) -> None:
    """The answer says that it is our fault, what was done, and whom to call; asked again, nobody is told twice."""
    damage(at, dive_id)

    document = assert_problem(script.post(f"/dives/{dive_id}/raise", {"note": "Bram is missing"}), 500)
    once = told(at, dive_id)
    script.post(f"/dives/{dive_id}/raise", **{"Idempotency-Key": "7c1f"})

    assert document["code"] == "unreadable"
    assert document["detail"] == (
        "The state of this dive cannot be read, through a fault of ours."
        " Its contacts are told that there may be trouble. Phone them too. In trouble call 112, ask for sea rescue."
    )
    assert once >= {CLEO, DOV}
    assert at.nudges.count > 0
    messages = at.service.read(lambda session: outbox.of_dive(session, dive_id))
    assert sum(message.phone == CLEO and "SERVICE FAULT" in message.body for message in messages) == 1
    assert refusals(at, dive_id)[0] == ("script board", "raise Bram is missing")


@pytest.mark.parametrize(
    ("deed", "body"),
    [("start", None), ("finish", {"count": 2}), ("extend", {"minutes": 10}), ("fix", {"position": [47.1, -20.5]})],
)
def test_any_other_deed_says_that_it_was_not_done(
    at: Site, script: Script, dive_id: str, deed: str, body: object
) -> None:
    """A finish that is not understood ends nothing, and whoever sent it has to know."""
    damage(at, dive_id)

    document = assert_problem(script.post(f"/dives/{dive_id}/{deed}", body), 500)

    assert document["code"] == "unreadable"
    assert document["detail"] == (
        "The state of this dive cannot be read, through a fault of ours. Nothing was done. Phone its contacts."
        " In trouble call 112, ask for sea rescue."
    )
    assert told(at, dive_id) == set()


def test_looking_at_it_says_so_too(at: Site, script: Script, dive_id: str) -> None:
    """As a problem with a constant code, and another club hears of no dive."""
    add_far_club(at.service, at.clock.now())
    damage(at, dive_id)
    far = Script(script.client, {"Authorization": f"Bearer {FAR_TOKEN}"})

    assert assert_problem(script.get(f"/dives/{dive_id}"), 500)["code"] == "unreadable"
    assert_problem(far.get(f"/dives/{dive_id}"), 404)
    assert_problem(far.post(f"/dives/{dive_id}/raise"), 404)
    assert told(at, dive_id) == set()


@pytest.mark.parametrize(("after_min", "said"), [(119, "are told"), (121, "Nothing was done.")])
def test_a_dive_that_has_been_over_for_long_is_not_raised(
    at: Site, script: Script, dive_id: str, after_min: float, said: str
) -> None:
    """As one that can be read."""
    act(at.service, dive_id, Finish(BY_ANNA, 2))
    damage(at, dive_id)
    at.clock.forward(after_min)

    document = assert_problem(script.post(f"/dives/{dive_id}/raise"), 500)

    assert said in document["detail"]
    assert bool(told(at, dive_id)) == (after_min < 120)


def test_sos_on_the_divers_page_has_their_people_told(at: Site, client: FlaskClient) -> None:
    """The page says so, and whom to call; an opened page and other buttons tell nobody, and say what to do."""
    dive = at.filed()
    act(at.service, dive.id, Start(BY_ANNA))
    path = at.dive_path(dive)
    damage(at, dive.id)

    opened = client.get(path)
    out = client.post(path, data={"do": "out", "count": "2", "version": "2"})
    nobody = told(at, dive.id)
    sos = client.post(path, data={"do": "sos", "note": "Bram is missing", "version": "2"})

    assert (opened.status_code, out.status_code, sos.status_code) == (500, 500, 500)
    assert "cannot show this dive" in opened.text
    assert "Nothing was done." in out.text
    assert nobody == set()
    assert told(at, dive.id) >= {CLEO, DOV}
    assert "Your contacts are told that there may be trouble." in sos.text
    assert "112, ask for sea rescue" in sos.text
    assert refusals(at, dive.id) == [("the page of the dive", "SOS Bram is missing")]


def test_an_officer_who_raises_it_from_an_older_page_has_its_people_told(
    at: Site, client: FlaskClient, dive_id: str
) -> None:
    """The button was of a page that could still be made."""
    enter(client, AdminRole.OFFICER)
    path = f"/admin/dives/{dive_id}"
    client.get(path)
    damage(at, dive_id)

    answer = post(client, path, do="raise", raise_note="", version="2")

    assert answer.status_code == 200
    assert told(at, dive_id) >= {CLEO, DOV}
    assert "are told that there may be trouble" in answer.text
    assert at.service.read(lambda session: session.get(DiveRow, dive_id)).phase == "in_water"
