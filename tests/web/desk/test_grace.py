"""Grace periods at the desk: the form, what it would do, and what a change touches."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.domain.grace import GracePeriods
from service.operations.admin_roles import AdminRole
from service.store import clubs, sites
from service.web.desk.grace_form import FIELDS
from tests.web.desk.entering import enter, post
from tests.web.installation import Site
from tests.web.reading import Page

GRACE = "/admin/grace"


def fields_of(page: str) -> dict[str, str]:
    """What the form on a page holds, as a browser would send it."""
    form = page.partition('id="grace-form"')[2].partition("</form>")[0]
    values = dict(re.findall(r'<input[^>]* name="(\w+)"[^>]* value="([^"]*)"', form))
    for name, options in re.findall(r'<select[^>]* name="(\w+)"[^>]*>(.*?)</select>', form, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', options)
        values[name] = chosen[1] if chosen else ""
    return values | dict(re.findall(r'<input[^>]* name="(made_from|site)" value="([^"]*)"', form))


def send(client: FlaskClient, path: str = GRACE, to: str | None = None, **changes: str) -> TestResponse:
    """Open the form, change some fields and send it."""
    values = fields_of(client.get(path).text) | changes
    return post(client, to or path, **{name: words for name, words in values.items() if name != "desk"})


def grace_now(at: Site) -> GracePeriods:
    """What a dive filed now would have."""
    return at.filed().grace


def test_the_form_opens_with_what_holds(client: FlaskClient) -> None:
    """Every setting is there, and the drawing of what it does."""
    enter(client)

    page = client.get(GRACE).text
    values = fields_of(page)

    assert {one.name for one in FIELDS} <= values.keys()
    assert (values["grace"], values["distress_after"], values["arming_within"]) == ("15", "30", "30")
    assert "Due out 10:50. Alert 11:05, distress 11:20, hand-up 11:50." in page
    assert page.count("<svg") > 1
    assert "OVERDUE, CALL RESCUE NOW" in page


def test_what_is_saved_holds_for_the_next_dive_and_not_for_an_open_one(at: Site, client: FlaskClient) -> None:
    """The page says which it does not touch, and until when."""
    enter(client, AdminRole.OFFICER)
    before = at.filed()

    answer = send(client, grace="20", distress_after="40")

    assert answer.status_code == 303
    page = client.get(answer.headers["Location"]).text
    assert "Saved" in page
    assert "Grace period, minutes after due out: 15 minutes became 20 minutes." in page
    assert f"<strong>{before.reference}</strong>, Lantern Steps: not started" in page
    assert at.now_of(before).grace.grace == timedelta(minutes=15)
    assert grace_now(at).grace == timedelta(minutes=20)


def test_contradictions_are_explained_beside_their_fields(at: Site, client: FlaskClient) -> None:
    """What was typed stays, what would be right is said, and nothing is saved."""
    enter(client)

    answer = send(client, grace="20", distress_after="18", second_call_after="20")

    assert answer.status_code == 422
    page = Page(answer.text)
    assert fields_of(answer.text)["distress_after"] == "18"
    fault = answer.text.partition('id="distress_after-error"')[2].partition("</p>")[0]
    assert "Distress must come after the alert. Right would be: More than 20 minutes" in fault
    inputs = {one.get("name"): one for one in page.all("input")}
    assert inputs["distress_after"]["aria-invalid"] == "true"
    assert inputs["second_call_after"]["aria-invalid"] == "true"
    assert grace_now(at) == GracePeriods()


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("", "Give a number of minutes"),
        ("soon", "Give a number of minutes"),
        ("nan", "Give a number of minutes"),
        ("1e9", "Give 0 to 1440 minutes."),
        ("-1", "Give 0 to 1440 minutes."),
        ("1441", "Give 0 to 1440 minutes."),
    ],
)
def test_what_is_no_length_of_time_is_explained(client: FlaskClient, typed: str, words: str) -> None:
    """And stays in its field."""
    enter(client)

    answer = send(client, grace=typed)

    assert answer.status_code == 422
    assert words in answer.text.partition('id="grace-error"')[2].partition("</p>")[0]
    assert fields_of(answer.text)["grace"] == typed


@pytest.mark.parametrize(("typed", "seconds"), [("7.5", 450), ("7,5", 450), ("10", 600), ("5.33", 320)])
def test_parts_of_minutes_can_be_given(at: Site, client: FlaskClient, typed: str, seconds: int) -> None:
    """With a point or a comma; the form shows the same again."""
    enter(client)

    answer = send(client, grace=typed)

    assert grace_now(at).grace == timedelta(seconds=seconds)
    assert fields_of(client.get(answer.headers["Location"]).text)["grace"] == typed.replace(",", ".")


def test_show_draws_what_is_typed_and_saves_nothing(at: Site, client: FlaskClient) -> None:
    """For who has no JavaScript; a viewer may too."""
    enter(client, AdminRole.VIEWER)

    answer = send(client, to=f"{GRACE}/show", grace="20", distress_after="40", time_in="09:00", contacts="3")

    assert answer.status_code == 200
    assert "Due out 09:50. Alert 10:10, distress 10:30, hand-up 10:50." in answer.text
    assert "text to the 3rd contact" in answer.text
    assert grace_now(at) == GracePeriods()


def test_the_preview_is_the_same_drawing(client: FlaskClient) -> None:
    """As the script asks for it, with the fields in the query."""
    enter(client, AdminRole.VIEWER)

    answer = client.get(f"{GRACE}/preview?grace=20&distress_after=40&time_in=09:00&story=answered")

    assert "Alert 10:10, distress 10:30, hand-up 10:52." in answer.text  # nothing came of the answer
    assert "<html" not in answer.text
    assert "First answers" in answer.text


@pytest.mark.parametrize(
    ("query", "words"),
    [
        ("grace=2", "The grace period must be at least 5 minutes. Right would be: 5 minutes or more."),
        ("grace=x", "Give a number of minutes"),
        ("time_in=25:00", "Write a time of day like 10:00."),
        ("time_in=1000", "Write a time of day like 10:00."),
        ("run_time=4", "Give a whole number from 5 to 360."),
        ("phones=0", "Give a whole number from 1 to 12."),
        ("contacts=7", "Give a whole number from 1 to 6."),
        ("contacts=%C2%B2", "Give a whole number from 1 to 6."),
        ("story=x", "Choose one of these."),
        ("never_started=x", "Choose one of these."),
    ],
)
def test_what_cannot_be_drawn_says_why(client: FlaskClient, query: str, words: str) -> None:
    """With the way to the field."""
    enter(client)

    answer = client.get(f"{GRACE}/preview?{query}")

    assert answer.status_code == 200
    assert f'<a href="#{query.partition("=")[0]}">' in answer.text
    assert words in answer.text
    assert 'class="ladder"' not in answer.text


def test_a_site_has_only_what_differs(at: Site, client: FlaskClient) -> None:
    """Its fields are empty where it follows the club, and say what that is."""
    enter(client)
    opened = client.get(f"{GRACE}/LANTERN").text

    answer = send(client, f"{GRACE}/LANTERN", grace="10")

    assert fields_of(opened)["grace"] == ""
    assert "As the club: 15 minutes; leave empty for that." in opened
    assert grace_now(at).grace == timedelta(minutes=10)
    page = client.get(answer.headers["Location"]).text
    assert (fields_of(page)["grace"], fields_of(page)["distress_after"]) == ("10", "")
    assert "1 of its own" in client.get(GRACE).text
    send(client, f"{GRACE}/LANTERN", grace="")
    assert grace_now(at).grace == timedelta(minutes=15)


def test_a_change_of_the_clubs_names_the_site_that_it_would_break(client: FlaskClient) -> None:
    """With the way there."""
    enter(client)
    send(client, f"{GRACE}/LANTERN", distress_after="16")

    answer = send(client, grace="17")

    assert answer.status_code == 422
    assert '<a href="/admin/grace/LANTERN">Lantern Steps</a>: Distress must come after the alert.' in answer.text


def test_a_stale_form_is_refused_with_both_shown(at: Site, client: FlaskClient) -> None:
    """And saving again, having seen it, puts yours in the place of theirs."""
    enter(client)
    early = fields_of(client.get(GRACE).text)
    send(client, grace="20")

    answer = post(client, GRACE, **(early | {"grace": "25"}))

    assert answer.status_code == 409
    row = answer.text.partition('<th scope="row">Grace period, minutes after due out</th>')[2].partition("</tr>")[0]
    assert row == "<td>20 minutes</td><td>25 minutes</td>"
    assert "The last change is by Edda Rowe" in answer.text
    assert grace_now(at).grace == timedelta(minutes=20)
    again = post(client, GRACE, **fields_of(answer.text))
    assert again.status_code == 303
    assert grace_now(at).grace == timedelta(minutes=25)


def test_the_last_change_is_set_back_by_a_button(at: Site, client: FlaskClient) -> None:
    """Which is in the list of changes too; an older one cannot be, in words."""
    enter(client)
    first = send(client, grace="20").headers["Location"].partition("saved=")[2]
    second = send(client, grace="25").headers["Location"].partition("saved=")[2]

    refused = post(client, f"{GRACE}/undo", seq=first)
    answer = post(client, f"{GRACE}/undo", seq=second)

    assert refused.status_code == 409
    assert "It has been changed again since." in refused.text
    assert answer.status_code == 303
    assert grace_now(at).grace == timedelta(minutes=20)
    assert "setting back an earlier change" in client.get(GRACE).text


@pytest.mark.parametrize("seq", ["", "x", "-1", "9" * 30])
def test_a_change_that_is_none_is_not_set_back(client: FlaskClient, seq: str) -> None:
    """In words, and nothing changes."""
    enter(client)

    answer = post(client, f"{GRACE}/undo", seq=seq)

    assert answer.status_code == 409
    assert "There is no such change." in answer.text


def test_a_made_up_link_says_of_nothing_that_it_was_saved(client: FlaskClient) -> None:
    """Only the number of the last change does."""
    enter(client)

    assert "Saved" not in client.get(f"{GRACE}?saved=7").text
    assert "Nothing was different" in client.get(send(client).headers["Location"]).text


def test_a_viewer_saves_nothing(at: Site, client: FlaskClient) -> None:
    """And is not offered to."""
    enter(client, AdminRole.VIEWER)

    page = client.get(GRACE).text

    assert "Save for dives" not in page
    assert send(client, grace="20").status_code == 403
    assert post(client, f"{GRACE}/undo", seq="1").status_code == 403
    assert grace_now(at) == GracePeriods()


@pytest.mark.parametrize("path", [f"{GRACE}/NOWHERE", f"{GRACE}/REEF", f"{GRACE}/preview?site=REEF"])
def test_a_site_of_another_club_is_not_there(at: Site, client: FlaskClient, path: str) -> None:
    """As if it did not exist, for looking, saving and setting back."""
    enter(client)

    def add(session: object) -> None:
        clubs.add(
            session,  # type: ignore[arg-type]
            club_id="other",
            name="Other Club",
            country="GB",
            zone="UTC",
            receiving_number="+447700900999",
            rescue_call="999",
        )
        sites.add(
            session,  # type: ignore[arg-type]
            club_id="other",
            code="REEF",
            name="Reef",
            zone="UTC",
            lat=47.0,
            lon=-20.0,
            rescue_call="999",
        )

    at.service.write(add)

    assert client.get(path).status_code == 404
    for to in (f"{GRACE}/REEF", f"{GRACE}/undo", f"{GRACE}/show"):
        assert post(client, to, site="REEF", seq="1", grace="20").status_code == 404
    assert at.service.read(lambda session: sites.by_code(session, "other", "REEF")).grace is None  # type: ignore[union-attr]


def test_the_page_of_periods_that_are_too_long_opens_and_says_which(at: Site, client: FlaskClient) -> None:
    """They were saved before there were bounds: whoever opens the page reads what to mend, and can."""
    enter(client, AdminRole.OFFICER)
    at.service.write(lambda session: clubs.set_grace(session, at.club_id, {"next_contact_every": "PT50M"}))

    page = client.get(GRACE)
    kept = send(client, heads_up_before="12")
    mended = send(client, heads_up_before="12", next_contact_every="6")

    assert page.status_code == 200
    assert fields_of(page.text)["next_contact_every"] == "50"
    words = "Contacts must be at most 30 minutes apart. Right would be: 30 minutes or less."
    assert words in page.text
    assert (kept.status_code, words in kept.text, mended.status_code) == (422, True, 303)
    assert (grace_now(at).next_contact_every, grace_now(at).heads_up_before) == (
        timedelta(minutes=6),
        timedelta(minutes=12),
    )
