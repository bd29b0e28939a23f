"""The club's own details: what an owner changes, how it reads in an alarm, and what is set back."""

from __future__ import annotations

import html
import re

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update
from werkzeug.test import TestResponse

from service.domain.dialling import NO_NUMBER
from service.operations.admin_roles import AdminRole
from service.store import clubs, log
from service.store.tables import ClubRow, SiteRow
from tests.web.desk.entering import enter, post
from tests.web.installation import RECEIVING, Site

CLUB = "/admin/club"
GIVEN = {"rescue_call": "112, ask for sea rescue", "language": "en", "canary_number": "", "log_head_mail": ""}


def club_of(at: Site) -> ClubRow:
    """The club as it is kept."""
    found = at.service.read(lambda session: clubs.get(session, at.club_id))
    assert found is not None
    return found


def send(client: FlaskClient, to: str = CLUB, **changes: str) -> TestResponse:
    """Fill in the form as it opens, with changes."""
    mark = re.search(r'name="made_from" value="([0-9a-f]+)"', client.get(CLUB).text)
    assert mark
    return post(client, to, **({"made_from": mark[1]} | GIVEN | changes))


def test_an_owner_changes_what_the_club_says_of_itself(at: Site, client: FlaskClient) -> None:
    """It is kept, in the log with before and after, and other settings stay as they are."""
    enter(client)
    at.service.write(lambda session: setattr(clubs.get(session, at.club_id), "settings", {"other": 1}))

    answer = send(
        client,
        rescue_call="  115,  ask for\tthe harbour ",
        language="de",
        canary_number="07700 900888",
        log_head_mail="Keeper@Skerry.example",
    )

    assert answer.status_code == 303
    club = club_of(at)
    assert (club.rescue_call, club.canary_number) == ("115, ask for the harbour", "+447700900888")
    assert club.settings == {"other": 1, "language": "de", "log_head_mail": "Keeper@skerry.example"}
    page = client.get(answer.headers["Location"]).text
    assert "Rescue call: 112, ask for sea rescue became 115, ask for the harbour." in page
    [entry] = at.service.read(lambda session: log.latest(session, log.club_chain(at.club_id), "club_changed", 5))
    assert entry.detail is not None
    assert entry.detail["before"]["rescue_call"] == "112, ask for sea rescue"
    assert entry.detail["after"]["canary_number"] == "+447700900888"


@pytest.mark.parametrize(
    ("field", "typed", "words"),
    [
        ("rescue_call", "   ", "Say whom your contacts are to call for rescue"),
        ("rescue_call", "9" * 61, "Keep it to 60 letters and digits"),
        ("rescue_call", "\N{EURO SIGN}" * 31, "Keep it to 60 letters and digits"),
        ("language", "xx", "Choose one of these languages."),
        ("canary_number", "12", "This number"),
        ("canary_number", RECEIVING, "Divers text to this number"),
        ("log_head_mail", "nobody", "This is no e-mail address."),
        ("log_head_mail", "a@b.example\nBcc: x@y.example", "This is no e-mail address."),
    ],
)
def test_what_cannot_be_taken_is_explained_beside_its_field(
    at: Site, client: FlaskClient, field: str, typed: str, words: str
) -> None:
    """What was typed stays, and nothing is saved."""
    enter(client)

    answer = send(client, **{"rescue_call": "999", field: typed})

    assert answer.status_code == 422
    assert words in answer.text.partition(f'id="{field}-error"')[2].partition("</p>")[0]
    assert club_of(at).rescue_call == "112, ask for sea rescue"
    assert client.get(CLUB).text.count("None yet.") == 1


def test_a_number_that_the_clubs_country_makes_sure_is_not_doubted(at: Site, client: FlaskClient) -> None:
    """Its national notation is read, and the calls of its sites are looked at too."""
    enter(client)
    moved = update(ClubRow).values(country="DK")
    doubtful = update(SiteRow).values(rescue_call="112 24/7")
    at.service.write(lambda session: [session.execute(one) for one in (moved, doubtful)])

    assert NO_NUMBER not in html.unescape(send(client, f"{CLUB}/show", rescue_call="32 12 34 56, sea rescue").text)
    assert "112 24/7 (no number in it can be dialled without doubt)" in client.get(CLUB).text


@pytest.mark.parametrize("call", ["Ask for Port Control", "112 24/7, ask for sea rescue", "VHF 16 01632 960112"])
def test_it_is_shown_how_the_rescue_call_would_read(at: Site, client: FlaskClient, call: str) -> None:
    """In the alert and in distress, before anything is saved; one without a number beyond doubt is noticed."""
    enter(client)

    answer = send(client, f"{CLUB}/show", rescue_call=call)

    assert answer.status_code == 200
    assert answer.text.count(call) >= 3
    assert "CALL RESCUE NOW" in answer.text
    assert NO_NUMBER in html.unescape(answer.text)
    assert NO_NUMBER not in html.unescape(client.get(CLUB).text)
    assert send(client, f"{CLUB}/show", rescue_call=" ").status_code == 422
    assert club_of(at).rescue_call == "112, ask for sea rescue"


def test_the_page_says_what_it_does_not_touch(at: Site, client: FlaskClient) -> None:
    """A dive that is filed and a site keep their own."""
    enter(client)
    dive = at.filed()

    send(client, rescue_call="999")

    assert at.now_of(dive).plan.site.rescue_call == "112, ask for sea rescue"
    assert "Lantern Steps: 112, ask for sea rescue" in client.get(CLUB).text


def test_the_second_of_two_owners_is_shown_both(at: Site, client: FlaskClient) -> None:
    """And saving again puts theirs in the place of it."""
    enter(client)
    early = re.search(r'name="made_from" value="([0-9a-f]+)"', client.get(CLUB).text)
    assert early
    send(client, rescue_call="999")

    answer = post(client, CLUB, **(GIVEN | {"rescue_call": "115", "made_from": early[1]}))

    assert answer.status_code == 409
    assert "<td>999</td><td>115</td>" in answer.text
    assert club_of(at).rescue_call == "999"
    assert send(client, rescue_call="115").status_code == 303


def test_the_last_change_is_set_back(at: Site, client: FlaskClient) -> None:
    """An older one is not, nor one that is none, nor where somebody else changed the same since; in words."""
    enter(client)
    first = send(client, rescue_call="999").headers["Location"].partition("saved=")[2]
    second = send(client, rescue_call="115").headers["Location"].partition("saved=")[2]

    assert "changed again since" in post(client, f"{CLUB}/undo", seq=first).text
    assert "no such change" in post(client, f"{CLUB}/undo", seq="x").text
    assert post(client, f"{CLUB}/undo", seq=second).status_code == 303
    assert club_of(at).rescue_call == "999"
    last = client.get(CLUB).text.partition('name="seq" value="')[2].partition('"')[0]
    at.service.write(lambda session: setattr(clubs.get(session, at.club_id), "rescue_call", "by the command line"))
    assert "changed again since" in post(client, f"{CLUB}/undo", seq=last).text


def test_a_number_that_became_one_for_texts_is_not_set_back(at: Site, client: FlaskClient) -> None:
    """It would text itself."""
    enter(client)
    send(client, canary_number="+447700900888")
    seq = send(client, canary_number="").headers["Location"].partition("saved=")[2]
    at.service.write(lambda session: setattr(clubs.get(session, at.club_id), "receiving_number", "+447700900888"))

    answer = post(client, f"{CLUB}/undo", seq=seq)

    assert answer.status_code == 409
    assert "Divers text to this number" in answer.text
    assert club_of(at).canary_number is None


@pytest.mark.parametrize("role", [AdminRole.VIEWER, AdminRole.OFFICER])
def test_others_than_owners_look_only(at: Site, client: FlaskClient, role: AdminRole) -> None:
    """There is no form for them, and none is taken."""
    enter(client, role)

    page = client.get(CLUB).text

    assert "Owners can change these." in page
    assert "112, ask for sea rescue" in page
    for path in (CLUB, f"{CLUB}/show", f"{CLUB}/undo"):
        assert post(client, path, **GIVEN).status_code == 403
    assert club_of(at).rescue_call == "112, ask for sea rescue"


def test_saving_what_stands_is_no_change(client: FlaskClient) -> None:
    """And a made-up link says of nothing that it was saved."""
    enter(client)

    assert "Nothing was different" in client.get(send(client).headers["Location"]).text
    assert "<h2>Saved</h2>" not in client.get(f"{CLUB}?saved=3").text
