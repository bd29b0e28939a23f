"""One dive at the desk: what an officer does about it, what an old page may not do, and what a second press does."""

from __future__ import annotations

import re
from collections import Counter

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update
from sqlalchemy.orm import Session
from werkzeug.test import TestResponse

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import Acknowledge, RaiseNow, ReportCalled, Start, Tick
from service.domain.people import Actor, Role, Via
from service.operations.admin_roles import AdminRole
from service.operations.recording import act
from service.store import log, outbox
from service.store.tables import DiveRow
from tests.web.desk.entering import enter, post
from tests.web.desk.test_board import CLEO_SAYS, dive_in
from tests.web.installation import Site
from tests.web.other_club import FAR_ADMIN_EMAIL, add_far_club
from tests.web.test_every_page import BY


def press(client: FlaskClient, dive: Dive, do: str, version: int | None = None, **fields: str) -> TestResponse:
    """Press a button of the page as it is now, or as it was at that version."""
    page = client.get(f"/admin/dives/{dive.id}").text
    shown = re.search(r'name="version" value="(\d+)"', page)
    assert shown is not None
    return post(client, f"/admin/dives/{dive.id}", do=do, version=str(version or shown[1]), **fields)


def kinds_of(at: Site, dive: Dive) -> Counter[str]:
    """How many events of each kind the dive has."""
    return Counter(type(event).__name__ for _, event in at.service.read(lambda session: log.events(session, dive.id)))


def texts_to(at: Site, dive: Dive, key: str) -> list[str]:
    """The words of our messages to somebody, last to first."""
    found = at.service.read(lambda session: outbox.of_dive(session, dive.id))
    return [message.body for message in reversed(found) if message.person_key == key]


def test_an_officer_answers_and_closes_an_alarm(at: Site, client: FlaskClient) -> None:
    """Under their own name; whoever was told hears by whom it was closed, and the log keeps the reason."""
    dive = dive_in(at, minutes_ago=66)
    enter(client, AdminRole.OFFICER)

    answered = press(client, dive, "answer")
    closed = press(client, dive, "close", count="2", reason="Seen at the slip, counted by me")

    assert (answered.status_code, closed.status_code) == (200, 200)
    assert "Noted that you have it" in answered.text
    assert "2 divers safe. The clock is stopped." in closed.text
    now = at.now_of(dive)
    assert (now.phase, now.closed_count) == (Phase.CLOSED, 2)
    assert now.closed_by is not None
    assert now.closed_by.name == "Ove Strand"
    assert "Ove Strand" in texts_to(at, dive, "contact-0")[0]
    assert "Reason: Seen at the slip, counted by me." in client.get(f"/admin/dives/{dive.id}").text


def test_fewer_than_the_party_do_not_close_it(at: Site, client: FlaskClient) -> None:
    """It is noted, the clock goes on, and the page says that who is missing is not known."""
    dive = dive_in(at, minutes_ago=66)
    enter(client, AdminRole.OFFICER)

    answer = press(client, dive, "close", count="1", reason="One is at the kiosk")

    assert "Not closed. 1 of 2 are safe: that is noted. 1 missing, and who that is we do not know." in answer.text
    assert at.now_of(dive).phase is Phase.ALERT
    assert "1 of 2 said to be out" in answer.text


@pytest.mark.parametrize(
    ("do", "fields", "words"),
    [
        ("close", {"count": "2"}, "Say how you know that they are safe."),
        ("close", {"count": "all", "reason": "Seen"}, "Count heads and give the number in digits."),
        ("close", {"count": "3", "reason": "Seen"}, "3 is more than the 2 of this dive."),
        ("extend", {"minutes": "soon"}, "Give a number such as 20."),
        ("note", {"note": "  "}, "Write what is to be noted."),
        ("sink", {}, "Use one of the buttons."),
    ],
)
def test_what_cannot_be_used_changes_nothing_and_stays_in_the_form(
    at: Site, client: FlaskClient, do: str, fields: dict[str, str], words: str
) -> None:
    """With what to do instead."""
    dive = dive_in(at, minutes_ago=10)
    enter(client, AdminRole.OFFICER)
    before = at.now_of(dive)

    answer = press(client, dive, do, **fields)

    assert answer.status_code == 422
    assert f"{words} Nothing changed." in answer.text
    assert at.now_of(dive) == before
    for typed in fields.values():
        assert not typed.strip() or f'value="{typed}"' in answer.text


def test_a_slip_of_the_finger_does_not_report_that_rescue_was_called(at: Site, client: FlaskClient) -> None:
    """It would end everybody's repeats: without who has spoken to rescue nothing changes, and the number stays."""
    dive = dive_in(at, minutes_ago=66)
    enter(client, AdminRole.OFFICER)

    answer = press(client, dive, "called", incident="R-17")

    assert answer.status_code == 422
    assert "Say who has spoken to rescue, and when. Nothing changed." in answer.text
    assert 'value="R-17"' in answer.text
    assert at.now_of(dive).called_at is None
    press(client, dive, "called", incident="R-17", called_reason="I did, 11:20")
    by = at.now_of(dive).called_by
    assert by is not None
    assert by.words == "Rescue has been called R-17: I did, 11:20"


def test_an_officer_takes_back_what_one_of_several_has_said(at: Site, client: FlaskClient) -> None:
    """Chosen by name, with how it is known; the other's word stands until it is taken back too."""
    dive = dive_in(at, minutes_ago=66)
    for key, name in (("contact-0", "Cleo Marsh"), ("contact-1", "Dov Lind")):
        act(at.service, dive.id, ReportCalled(Actor(Role.CONTACT, name, Via.TEXT, key, words="CALLED")))
    enter(client, AdminRole.OFFICER)
    page = client.get(f"/admin/dives/{dive.id}").text

    no_reason = press(client, dive, "not_called", whose="contact-0")
    nobody = press(client, dive, "not_called", whose="contact-7", not_called_reason="No case")
    one = press(client, dive, "not_called", whose="contact-0", not_called_reason="They have no case, 11:30")
    two = press(client, dive, "not_called", whose="contact-1", not_called_reason="Nor of Dov")

    assert page.count('name="whose"') == 2
    assert "Say how you know that it was not. Nothing changed." in no_reason.text
    assert "Say whose word it is that does not hold. Nothing changed." in nobody.text
    assert "Dov Lind said" in one.text.partition("Noted. ")[2]
    assert "and that stands. In doubt call rescue" in one.text
    assert "Noted that rescue was not called. Everybody is told so, and asked to call." in two.text
    assert "not called: Dov Lind said that rescue was called;" in two.text
    assert at.now_of(dive).called_at is None
    words = at.now_of(dive).taken_back[0].by.words
    assert words == "Rescue was not called, as Cleo Marsh had said: They have no case, 11:30"
    assert "do-not-called" not in two.text


def test_an_officer_raises_extends_calls_off_and_notes(at: Site, client: FlaskClient) -> None:
    """Each by the rules of the dive, and each is on the page in words."""
    wet, dry = dive_in(at, minutes_ago=10), at.filed()
    enter(client, AdminRole.OFFICER)

    later = press(client, wet, "extend", minutes="20")
    too_late = press(client, wet, "extend", minutes="500")
    noted = press(client, wet, "note", note="Their van is gone")
    raised = press(client, wet, "raise", raise_note="A bottle drifted in")
    called = press(client, wet, "called", incident="R-17", called_reason="I did, 11:20")
    off = press(client, dry, "call_off", call_off_reason="They phoned: too much swell")

    assert "It counts once a contact has been handed the new time" in later.text
    assert (too_late.status_code, "The latest due out that this dive allows is" in too_late.text) == (409, True)
    assert "Noted. Contacts and rescue read it in what happened" in noted.text
    assert "The alarm is raised. Being told now: Cleo Marsh, Dov Lind." in raised.text
    assert any("A bottle drifted in" in words for words in texts_to(at, wet, "contact-0"))
    assert "rescue has been called under R-17" in called.text
    assert "Called off. No clock runs." in off.text
    assert at.now_of(dry).phase is Phase.CLOSED
    page = client.get(f"/admin/dives/{wet.id}").text
    assert "Noted: &#34;Their van is gone&#34;." in page
    assert "Their van is gone" in client.get(at.alarm_path(wet)).text


@pytest.mark.parametrize(
    ("do", "fields"),
    [("close", {"count": "2", "reason": "Seen"}), ("extend", {"minutes": "20"})],
)
def test_a_page_that_is_out_of_date_lowers_nothing_and_shows_what_has_happened(
    at: Site, client: FlaskClient, do: str, fields: dict[str, str]
) -> None:
    """What was typed stays, and pressed again it is done."""
    dive = dive_in(at, minutes_ago=10)
    seen = at.now_of(dive).version
    act(at.service, dive.id, RaiseNow(CLEO_SAYS, note="I hear shouting"))
    enter(client, AdminRole.OFFICER)

    refused = press(client, dive, do, version=seen, **fields)
    assert refused.status_code == 409
    assert "Not done: the dive has moved on" in refused.text
    assert (
        "Raised the alarm: &#34;I hear shouting&#34;." in refused.text.partition('id="moved"')[2].partition("</ul>")[0]
    )
    assert at.now_of(dive).phase is Phase.ALERT
    assert do == "extend" or 'value="Seen"' in refused.text

    again = press(client, dive, do, **fields)
    assert again.status_code == 200


def test_what_adds_to_an_alarm_is_done_from_the_oldest_page(at: Site, client: FlaskClient) -> None:
    """Raising, noting, answering and rescue's call are as true as they were."""
    dive = dive_in(at, minutes_ago=10)
    enter(client, AdminRole.OFFICER)

    assert press(client, dive, "raise", version=1, raise_note="I see a light").status_code == 200
    assert press(client, dive, "answer", version=1).status_code == 200
    assert press(client, dive, "called", version=1, called_reason="I did").status_code == 200
    assert press(client, dive, "note", version=1, note="At the slip now").status_code == 200

    counted = kinds_of(at, dive)
    assert [counted[kind] for kind in ("AlarmRaised", "Acknowledged", "RescueCalled", "NoteAdded")] == [1, 1, 1, 1]


@pytest.mark.parametrize(
    ("do", "fields", "event"),
    [
        ("raise", {"raise_note": "I see a light"}, "AlarmRaised"),
        ("note", {"note": "At the slip now"}, "NoteAdded"),
        ("called", {"incident": "R-17", "called_reason": "I did"}, "RescueCalled"),
        ("answer", {}, "Acknowledged"),
        ("not_called", {"whose": "contact-0", "not_called_reason": "They have no case"}, "CalledTakenBack"),
        ("close", {"count": "2", "reason": "Seen"}, "Closed"),
    ],
)
def test_a_button_that_is_pressed_twice_counts_once(
    at: Site, client: FlaskClient, do: str, fields: dict[str, str], event: str
) -> None:
    """Nobody is told twice."""
    dive = dive_in(at, minutes_ago=66)
    if do == "not_called":
        act(at.service, dive.id, ReportCalled(Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, "contact-0")))
    enter(client, AdminRole.OFFICER)
    seen = at.now_of(dive).version

    press(client, dive, do, version=seen, **fields)
    told = len(at.service.read(lambda session: outbox.of_dive(session, dive.id)))
    press(client, dive, do, version=seen, **fields)

    assert kinds_of(at, dive)[event] == 1
    assert len(at.service.read(lambda session: outbox.of_dive(session, dive.id))) == told


def test_an_alarm_raised_anew_after_the_first_was_over_is_never_taken_for_a_second_press(
    at: Site, client: FlaskClient
) -> None:
    """From the page of before, which another window still shows: what came of the first is shown, and asked again."""
    dive = dive_in(at, minutes_ago=10)
    enter(client, AdminRole.OFFICER)
    seen = at.now_of(dive).version
    press(client, dive, "raise")
    press(client, dive, "close", count="2", reason="Seen")

    anew = press(client, dive, "raise", version=seen)
    assert anew.status_code == 409
    assert "pressed twice" not in anew.text
    assert "Seen" in anew.text.partition('id="moved"')[2].partition("</ul>")[0]

    assert press(client, dive, "raise").status_code == 200
    assert at.now_of(dive).phase is Phase.ALERT


def test_a_viewer_looks_and_presses_nothing(at: Site, client: FlaskClient) -> None:
    """There are no buttons, and a post is refused before it is read."""
    dive = dive_in(at, minutes_ago=66)
    enter(client, AdminRole.VIEWER)

    page = client.get(f"/admin/dives/{dive.id}").text
    refused = post(client, f"/admin/dives/{dive.id}", do="close", version="9", count="2", reason="Seen")

    assert "You look with the role viewer." in page
    assert 'name="do"' not in page
    assert refused.status_code == 403
    assert at.now_of(dive).phase is Phase.ALERT


def test_another_clubs_dive_is_not_there(at: Site, client: FlaskClient) -> None:
    """Opened, asked for or acted on."""
    dive = dive_in(at, minutes_ago=66)
    add_far_club(at.service, at.clock.at)
    client.post("/admin/sign-in", data={"email": FAR_ADMIN_EMAIL, "password": "a long enough password"})

    for answer in (
        client.get(f"/admin/dives/{dive.id}"),
        client.get(f"/admin/dives/{dive.id}/standing"),
        post(client, f"/admin/dives/{dive.id}", do="raise", version="1"),
    ):
        assert answer.status_code == 404
    assert at.now_of(dive).raises == 0


def test_the_page_knows_when_it_is_no_longer_good(at: Site, client: FlaskClient) -> None:
    """Its script asks for a mark that moves with each event."""
    dive = dive_in(at, minutes_ago=66)
    enter(client)
    before = client.get(f"/admin/dives/{dive.id}/standing").json

    act(at.service, dive.id, Acknowledge(CLEO_SAYS))

    after = client.get(f"/admin/dives/{dive.id}/standing").json
    assert before["look"] != after["look"]
    assert f'data-look="{after["look"]}"' in client.get(f"/admin/dives/{dive.id}").text


def test_a_dive_that_cannot_be_read_is_closed_from_the_desk(at: Site, client: FlaskClient) -> None:
    """By its plain columns, for a reason; no text of the divers could end it."""
    dive = at.filed()
    act(at.service, dive.id, Start(BY))
    act(at.service, dive.id, Tick())

    def damage(session: Session) -> None:
        session.execute(update(DiveRow).where(DiveRow.id == dive.id).values(state="{"))

    at.service.write(damage)
    enter(client, AdminRole.OFFICER)
    path = f"/admin/dives/{dive.id}"

    page = client.get(path)
    unsaid = post(client, path, reason="")
    closed = post(client, path, reason="Both are at the kiosk")
    again = post(client, path, reason="Both are at the kiosk", do="close", version="1", count="2")

    assert "cannot be read" in page.text
    assert "+44 7700 900201" in page.text
    assert (unsaid.status_code, closed.status_code) == (422, 200)
    assert again.status_code == 409
    assert at.now_of(dive).phase is Phase.CLOSED
