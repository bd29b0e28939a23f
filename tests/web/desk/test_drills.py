"""Drills at the desk: begun by form, watched, ended, printed and taken away as a table."""

from __future__ import annotations

import csv
import io

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update
from werkzeug.test import TestResponse

from service.domain.dive import Phase
from service.domain.dive.commands import Acknowledge
from service.domain.people import Actor, Role, Via
from service.domain.wording import LinkKind
from service.operations.admin_roles import AdminRole
from service.operations.recording import act
from service.operations.sweeping import sweep
from service.store import dives, drills, log, outbox
from service.store.tables import MessageRow
from tests.web.desk.entering import enter, post
from tests.web.installation import CLEO, DOV, Site

FORM = {"site": "LANTERN", "player": "myself", "due_out": "5", "grace": "5", "scope": "site", "contact": CLEO}


def begin(client: FlaskClient, **changes: str) -> TestResponse:
    """Fill in the form and press the button."""
    return post(client, "/admin/drills", **{**FORM, **changes})


def path_of(client: FlaskClient, **changes: str) -> str:
    """The page of a drill that was just begun."""
    answer = begin(client, **changes)
    assert answer.status_code == 303, answer.text
    return str(answer.location)


def dive_ids(at: Site, path: str) -> list[str]:
    """The dives of the drill of a page."""
    return at.service.read(lambda session: drills.dive_ids(session, path.rsplit("/", 1)[1]))


def hand_over(at: Site, dive_id: str) -> None:
    """A gateway takes all that waits of a dive."""
    values = {"state": outbox.HANDED, "handed_at": at.clock.now(), "handed_gateway": "shore"}
    waits = update(MessageRow).where(MessageRow.dive_id == dive_id, MessageRow.state == outbox.QUEUED)
    at.service.write(lambda session: session.execute(waits.values(**values)))


def alerted(at: Site, path: str) -> str:
    """The drill's alert is handed over; the id of its dive."""
    [dive_id] = dive_ids(at, path)
    at.clock.forward(10)
    sweep(at.service)
    hand_over(at, dive_id)
    return dive_id


def test_an_officer_begins_a_drill_and_its_report_fills(at: Site, client: FlaskClient) -> None:
    """Who was told when, who answered and how fast, and what it does not show."""
    enter(client, AdminRole.OWNER)
    path = path_of(client)
    assert "Running." in client.get(path).text
    dive_id = alerted(at, path)
    at.clock.forward(1.5)
    cleo = Actor(Role.CONTACT, "Cleo Marsh", Via.PAGE, key="contact-0", phone=CLEO)
    act(at.service, dive_id, Acknowledge(cleo))

    page = client.get(path).text

    assert "OK, they act" in page
    assert "1 min 30 s after their alert was handed over" in page
    assert "voice calls" in page
    assert "rescue itself, which nobody calls in a drill" in page
    assert "the answer OK<" not in page


def test_a_drill_is_ended_by_its_button_and_says_by_whom(at: Site, client: FlaskClient) -> None:
    """Twice is as good as once; it stays in the list."""
    enter(client)
    path = path_of(client)
    alerted(at, path)

    assert post(client, path).status_code == 303
    assert post(client, path).status_code == 303

    page = client.get(path).text
    assert "ended at the desk, by Edda Rowe" in page
    assert "End the drill now" not in page
    assert "no answer" in page
    assert "ended at the desk" in client.get("/admin/drills").text
    [dive_id] = dive_ids(at, path)
    dive = at.service.read(lambda session: dives.get(session, dive_id))
    assert dive is not None
    assert dive.phase is Phase.CLOSED


def test_the_report_comes_as_a_table(at: Site, client: FlaskClient) -> None:
    """A line for each message and answer, with its times in UTC."""
    enter(client)
    path = path_of(client)
    dive_id = alerted(at, path)
    cleo = Actor(Role.CONTACT, "Cleo Marsh", Via.PAGE, key="contact-0", phone=CLEO)
    act(at.service, dive_id, Acknowledge(cleo))

    answer = client.get(f"{path}/report.csv")
    rows = list(csv.DictReader(io.StringIO(answer.text)))

    assert answer.content_type == "text/csv; charset=utf-8"
    alert = next(row for row in rows if row["kind"] == "alert" and row["person"] == "Cleo Marsh")
    assert alert["handed_at"] == "2027-06-01T10:10:00Z"
    assert [(row["person"], row["kind"], row["seconds"]) for row in rows if row["what"] == "answer"] == [
        ("Cleo Marsh", "OK, they act", "0")
    ]


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"site": ""}, "Choose one of the club&#39;s sites."),
        ({"due_out": "soon"}, "Give 5 to 60 minutes until due out."),
        ({"grace": "a while"}, "Give the minutes as a number, or leave it empty."),
        ({"grace": "500"}, "Give a grace period of 5 to 15 minutes"),
        ({"player": "nobody"}, "Choose who plays the diver."),
        ({"contact": ""}, "Choose at least one contact."),
        ({"contact": "+447700900999"}, "Choose at least one contact."),
    ],
)
def test_what_is_wrong_is_said_beside_its_field_and_what_was_typed_stays(
    at: Site, client: FlaskClient, changes: dict[str, str], words: str
) -> None:
    """And nobody is sent anything."""
    enter(client)
    answer = begin(client, **{"due_out": "7", **changes})

    assert answer.status_code == 422
    assert words in answer.text
    assert f'value="{changes.get("due_out", "7")}"' in answer.text
    assert at.service.read(lambda session: drills.listing(session, at.club_id, 9)) == []


def test_a_viewer_looks_and_begins_nothing(at: Site, client: FlaskClient) -> None:
    """Nor ends one."""
    enter(client)
    path = path_of(client)
    other = at.app.test_client()
    enter(other, AdminRole.VIEWER)

    assert other.get(path).status_code == 200
    assert "End the drill now" not in other.get(path).text
    assert begin(other).status_code == 403
    assert post(other, path).status_code == 403


def test_a_drill_of_the_club_is_one_choice_of_the_form(at: Site, client: FlaskClient) -> None:
    """Both contacts of the club agreed."""
    enter(client)
    path = path_of(client, scope="club")

    told = [at.service.read(lambda session, one=one: dives.get(session, one)) for one in dive_ids(at, path)]

    assert {dive.contacts[0].phone for dive in told if dive} == {CLEO, DOV}
    assert "whole club" in client.get("/admin/drills").text


def test_beginning_and_ending_are_in_the_clubs_log_with_the_admins_name(at: Site, client: FlaskClient) -> None:
    """Who made phones ring can be asked why."""
    enter(client)
    post(client, path_of(client))

    found = at.service.read(lambda session: log.entries(session, log.club_chain(at.club_id)))
    named = [(entry.kind, entry.actor["name"]) for entry in found if entry.kind.startswith("drill")]
    assert named == [("drill_started", "Edda Rowe"), ("drill_stopped", "Edda Rowe"), ("drill_ended", "the service")]


def test_every_page_of_a_drills_dive_says_exercise(at: Site, client: FlaskClient) -> None:
    """The diver's, the contact's, and the pack with its files."""
    enter(client)
    [dive_id] = dive_ids(at, path_of(client))
    at.clock.forward(10)
    sweep(at.service)
    dive = at.service.read(lambda session: dives.get(session, dive_id))
    assert dive is not None
    pack = at.path(dive, "contact-0", LinkKind.HANDOVER)

    for path in (at.dive_path(dive), at.alarm_path(dive), pack, f"{pack}/pack.gpx", f"{pack}/pack.geojson"):
        assert "EXERCISE" in client.get(path).text.upper(), path
    assert "<status>Exercise</status>" in client.get(f"{pack}/pack.xml").text
    assert b"EXERCISE" in client.get(pack).data
