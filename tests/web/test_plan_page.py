"""Filing a plan by form: preview, errors beside the fields, one dive for each form, bounds for strangers."""

from __future__ import annotations

import html
from datetime import UTC, datetime, timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from service.domain.dive import Dive
from service.operations.pages import dive_details, list_dives
from service.store import clubs, sites
from service.web import filing_limits, nonce
from tests.web.installation import CLEO, PLAN_FORM, PUBLIC_URL, RECEIVING, Site, fill, nonce_of
from tests.web.reading import Page


def dives_of(at: Site) -> list[Dive]:
    """All dives of the club."""
    return [dive for dive in list_dives(at.service, at.club_id).dives if isinstance(dive, Dive)]


def test_the_preview_shows_times_and_each_contacts_text_and_files_nothing(at: Site, client: FlaskClient) -> None:
    """Due out, raise-by time with the zone, and the text word for word; no dive and no message comes of it."""
    status, page = fill(client, "preview")

    assert status == 200
    assert 'datetime="2027-06-01T10:50:00+00:00">10:50</time>' in page
    assert ">11:05</time>" in page
    assert "Azores time" in page
    assert "To Cleo Marsh" in page
    assert "To Dov Lind" in page
    assert "Not heard by 11:05 that all are out?" in page
    assert dives_of(at) == []


def test_a_plan_is_filed_with_codes_and_what_silence_means(at: Site, client: FlaskClient) -> None:
    """The page has both codes, texts ready to send, the diver's page, and says that no answer means not armed."""
    status, page = fill(client)

    (dive,) = dives_of(at)
    assert status == 200
    assert f"IN {dive.start_code}" in page
    assert f"OUT {dive.finish_code}" in page
    assert f"sms:{RECEIVING}?body=OUT%20{dive.finish_code}" in page
    assert f"{PUBLIC_URL}/dive/" in page
    assert "No answer means not armed" in page
    assert [diver.name for diver in dive.divers] == ["Anna Holt", "Bram Vik"]
    assert dive.plan.exits == ("North slip", "Ladder")


def test_filing_tells_the_lead_and_nobody_else(at: Site, client: FlaskClient) -> None:
    """Contacts hear nothing before a start, so a stranger cannot use the form to text them."""
    fill(client)

    (dive,) = dives_of(at)
    details = dive_details(at.service, at.club_id, dive.id)
    assert details is not None
    assert [message.person_key for message in details.messages] == ["diver-0"]


def test_the_page_of_a_filed_plan_opens(at: Site, client: FlaskClient) -> None:
    """The link on the page is the lead's."""
    _, page = fill(client)
    links = [address for address in Page(page).addresses() if "/dive/" in address]

    assert len(links) == 1
    assert client.get(links[0].removeprefix(PUBLIC_URL)).status_code == 200


def test_a_double_submit_files_once(at: Site, client: FlaskClient) -> None:
    """The same form sent twice leads to one dive, and to its codes both times."""
    number = nonce_of(client.get("/plan").text)

    fill(client, nonce=number)
    status, again = fill(client, nonce=number)

    (dive,) = dives_of(at)
    assert status == 200
    assert "This plan was filed already" in again
    assert dive.start_code in again


def test_a_form_keeps_its_number_through_preview_and_errors(client: FlaskClient) -> None:
    """Going back and pressing again still files once."""
    number = nonce_of(client.get("/plan").text)

    _, preview = fill(client, "preview", nonce=number)
    _, errors = fill(client, "preview", nonce=number, run_time="")

    assert nonce_of(preview) == nonce_of(errors) == number


@pytest.mark.parametrize("forged", ["", "x", "a.1.b", "key.1811800000.AAAA", "\u202e.1.x"])
def test_a_number_that_we_did_not_issue_files_nothing(at: Site, client: FlaskClient, forged: str) -> None:
    """A chosen number would open the plan that somebody else filed under it."""
    data = {**PLAN_FORM, "do": "file", "nonce": forged}

    answer = client.post("/plan", data=data)

    assert answer.status_code == 409
    assert "Nothing was filed" in answer.text
    assert dives_of(at) == []


def test_a_form_that_was_open_for_more_than_a_week_is_shown_again(at: Site, client: FlaskClient) -> None:
    """It comes back whole with a new number, and the next press files it."""
    number = nonce_of(client.get("/plan").text)
    at.clock.forward(7 * 24 * 60 + 1)

    status, page = fill(client, nonce=number)

    assert status == 409
    assert 'value="Anna Holt"' in page
    assert fill(client, nonce=nonce_of(page))[0] == 200


ERRORS = {
    "no site": ({"site": ""}, "site", "Choose where you dive"),
    "an unknown site": ({"site": "NOWHERE"}, "site", "has no site NOWHERE"),
    "a site and another place": ({"place_name": "Cove"}, "site", "another place"),
    "another place without position": ({"site": "other", "place_name": "Cove"}, "place_position", "Give a position"),
    "another place without a name": ({"site": "other", "place_position": "47.1,-20.5"}, "place_name", "Name the place"),
    "a position that cannot be": (
        {"site": "other", "place_name": "C", "place_position": "97.1,-20.5"},
        "place_position",
        "97.1",
    ),
    "half a position": (
        {"site": "other", "place_name": "C", "place_position": "47.1N"},
        "place_position",
        "47.1N is one number: give latitude and longitude, as in 47.12345,-20.54321 or 47 07.407N 020 32.593W.",
    ),
    "no run time": ({"run_time": ""}, "run_time", "Give the run time in minutes"),
    "a run time in words": ({"run_time": "an hour"}, "run_time", "Give a number in digits"),
    "a run time of no number": ({"run_time": "nan"}, "run_time", "Give a number in digits"),
    "a run time of 40 hours": ({"run_time": "2400"}, "run_time", "from 5 to 360 minutes"),
    "a day without a time": ({"time_in_date": "2027-06-01"}, "time_in_time", "Give the time of that day"),
    "a time without a day": ({"time_in_time": "12:00"}, "time_in_date", "Give the day of that time"),
    "a day that cannot be": ({"time_in_date": "2027-02-30", "time_in_time": "12:00"}, "time_in_time", "2027-06-01"),
    "a time in the past": ({"time_in_date": "2027-06-01", "time_in_time": "09:00"}, "time_in_time", "has passed"),
    "a time far ahead": ({"time_in_date": "2027-08-01", "time_in_time": "09:00"}, "time_in_time", "14 days ahead"),
    "no lead name": ({"lead_name": " "}, "lead_name", "Give the lead diver"),
    "no lead phone": ({"lead_phone": ""}, "lead_phone", "needs a mobile number"),
    "a lead phone with letters": ({"lead_phone": "call me"}, "lead_phone", "phone"),
    "a short phone": ({"contact_1_phone": "+44 770"}, "contact_1_phone", "too short"),
    "an emergency number": ({"contact_1_phone": "999"}, "contact_1_phone", "emergency number"),
    "a lead at our number": ({"lead_phone": RECEIVING}, "lead_phone", "the club's own number for texts"),
    "a diver at our number": ({"diver_2_phone": RECEIVING}, "diver_2_phone", "Give the person's own phone"),
    "a contact at our number": ({"contact_2_phone": RECEIVING}, "contact_2_phone", "the club's own number for texts"),
    "a diver without name": ({"diver_5_phone": "07700 900105"}, "diver_5_name", "Give this diver"),
    "a contact without number": ({"contact_3_name": "Edda Rowe"}, "contact_3_phone", "Give this contact"),
    "a longer grace": ({"grace": "40"}, "grace", "may only shorten"),
    "half of the gas": ({"gas_cylinder": "12", "gas_fill": "200", "gas_rate": "18"}, "gas_reserve", "all four figures"),
    "an impossible gas": (
        {"gas_cylinder": "12", "gas_fill": "900", "gas_reserve": "50", "gas_rate": "18"},
        "gas_cylinder",
        "fill pressure",
    ),
    "a depth of a mile": ({"depth": "1600"}, "depth", "up to 100"),
    "a long name": ({"lead_name": "A" * 61}, "lead_name", "60 characters"),
    "long notes": ({"notes": "n" * 301}, "notes", "300 characters"),
}


@pytest.mark.parametrize(("changes", "beside", "words"), ERRORS.values(), ids=ERRORS)
def test_what_is_wrong_stands_beside_its_field(
    at: Site, client: FlaskClient, changes: dict[str, str], beside: str, words: str
) -> None:
    """The field is marked and described by its error, the summary leads to it, and nothing is filed."""
    status, text = fill(client, **changes)
    page = Page(text)

    marked = {one["name"]: one for one in page.all("input", "select") if one.get("aria-invalid") == "true"}
    error = html.unescape(text.partition(f'id="{beside}-error"')[2].partition("</p>")[0])
    assert status == 422
    assert list(marked) == [beside]
    assert f"{beside}-error" in marked[beside]["aria-describedby"].split()
    assert words in error
    assert f"#{beside}" in page.addresses()
    assert text.index("Nothing was filed") < text.index("<form")
    assert dives_of(at) == []


def test_nothing_typed_is_lost_in_an_error(client: FlaskClient) -> None:
    """Every field comes back as it was typed, spaces and markup included."""
    odd = {name: f'  "{name}" <b>&amp; ' for name in PLAN_FORM if name != "site"}

    _, text = fill(client, **odd)

    values = {one["name"]: one.get("value") for one in Page(text).all("input") if one["name"] in odd}
    assert values == odd
    assert "<b>" not in text


def test_all_errors_are_told_at_once(client: FlaskClient) -> None:
    """An empty form names everything that it needs in one answer, and says each thing once."""
    answer = client.post("/plan", data={"do": "file"})
    page = Page(answer.text)

    invalid = [one["name"] for one in page.all("input", "select") if one.get("aria-invalid")]
    assert invalid == ["site", "run_time", "lead_name", "lead_phone", "contact_1_name"]


def test_contacts_who_all_dive_are_refused(at: Site, client: FlaskClient) -> None:
    """Somebody must stay ashore."""
    changes = {"contact_1_phone": "07700 900101", "contact_2_name": "", "contact_2_phone": ""}

    status, page = fill(client, **changes)

    assert status == 422
    assert "all in the water with you" in page
    assert dives_of(at) == []


def test_advice_is_given_and_keeps_nobody_from_filing(client: FlaskClient) -> None:
    """One exit and one contact are advised against, in the preview and after filing."""
    changes = {"exit_2": "", "contact_2_name": "", "contact_2_phone": ""}

    for do in ("preview", "file"):
        status, page = fill(client, do, **changes)
        assert status == 200
        assert "Name two different exits" in page
        assert "One contact only" in page


def test_a_time_in_is_local_to_the_site(at: Site, client: FlaskClient) -> None:
    """Half past eleven at a site on UTC is that instant, and due out follows from it."""
    fill(client, time_in_date="2027-06-01", time_in_time="11:30")

    (dive,) = dives_of(at)
    assert dive.plan.time_in_at == datetime(2027, 6, 1, 11, 30, tzinfo=UTC)


@pytest.mark.parametrize(
    ("month_day", "wall", "words"), [("03-28", "00:30", "does not exist"), ("10-31", "00:30", "comes twice")]
)
def test_local_times_of_the_summer_time_nights_are_refused(
    at: Site, client: FlaskClient, month_day: str, wall: str, words: str
) -> None:
    """A time that the clocks skip or repeat gets an answer that says so. The Azores change at 00:00 and 01:00."""
    day = datetime.fromisoformat(f"2027-{month_day}").replace(tzinfo=UTC)
    at.clock.at = day - timedelta(hours=12)

    status, page = fill(client, time_in_date=f"2027-{month_day}", time_in_time=wall)

    assert status == 422
    assert words in page


def test_another_place_is_filed_with_its_position(at: Site, client: FlaskClient) -> None:
    """Degrees and minutes with letters are read, and the club's rescue call stands in where none is given."""
    place = {"place_name": "Far Cove", "place_position": "47 07.407 N 020 32.593 W"}

    status, _ = fill(client, site="other", **place)

    (dive,) = dives_of(at)
    position = dive.plan.site.position
    assert status == 200
    assert position is not None
    assert (round(position.lat, 5), round(position.lon, 5)) == (47.12345, -20.54322)
    assert dive.plan.site.rescue_call == "112, ask for sea rescue"


def test_one_lead_number_files_a_bounded_number_of_plans_a_day(
    at: Site, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The next one is refused in words, a day later there is room again, and filed dives are untouched."""
    monkeypatch.setattr(filing_limits, "AS_LEAD_MAX", 2)
    for _ in range(2):
        assert fill(client)[0] == 200

    status, page = fill(client)

    assert status == 429
    assert "This lead number has filed many plans" in page
    assert 'value="Anna Holt"' in page
    assert len(dives_of(at)) == 2
    at.clock.forward(24 * 60 + 1)
    assert fill(client)[0] == 200


def test_one_contact_number_is_on_a_bounded_number_of_plans_a_day(
    client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whichever lead files, a contact is not named more often than a busy shore cover would be."""
    monkeypatch.setattr(filing_limits, "AS_CONTACT_MAX", 1)
    assert fill(client)[0] == 200

    status, page = fill(client, lead_phone="07700 900150", diver_2_phone="")

    assert status == 429
    assert "One of these contacts is on many plans" in page


def test_plans_that_were_not_filed_by_form_do_not_count(
    at: Site, client: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What a club's script filed does not close the form to its divers."""
    monkeypatch.setattr(filing_limits, "AS_LEAD_MAX", 1)
    at.filed()

    assert fill(client)[0] == 200


def test_one_address_files_a_bounded_number_of_plans_a_day(at: Site, client: FlaskClient) -> None:
    """Whatever numbers it names, a connection cannot fill the database."""
    for number in range(30):
        assert fill(client, lead_phone=f"07700 9001{number + 10}", diver_2_phone="")[0] == 200

    status, page = fill(client, lead_phone="07700 900199", diver_2_phone="")

    assert status == 429
    assert "Many plans came from this connection" in page
    assert len(dives_of(at)) == 30


def test_with_several_clubs_the_form_is_chosen_first(at: Site, client: FlaskClient) -> None:
    """/plan lists the clubs, /plan/<club> is the form of one, and a post to neither files nothing."""

    def second(session: Session) -> None:
        clubs.add(
            session,
            club_id="far",
            name="Far Reef Club",
            country="GB",
            zone="Atlantic/Azores",
            receiving_number="+447700900001",
            rescue_call="112",
        )

    at.service.write(second)

    listed = client.get("/plan")
    assert "/plan/far" in listed.text
    assert "/plan/skerry" in listed.text
    assert client.post("/plan", data=PLAN_FORM).status_code == 303
    number = nonce_of(client.get("/plan/skerry").text)
    assert client.post("/plan/skerry", data={**PLAN_FORM, "do": "file", "nonce": number}).status_code == 200
    assert client.post("/plan/far", data={**PLAN_FORM, "do": "file", "nonce": number}).status_code == 422
    assert [dive.club_id for dive in dives_of(at)] == ["skerry"]


def test_a_club_that_is_not_there_has_no_form(client: FlaskClient) -> None:
    """Its address is 404."""
    assert client.get("/plan/none").status_code == 404


def test_a_retired_site_is_offered_no_more(at: Site, client: FlaskClient) -> None:
    """Only sites in use are in the list."""

    def retire(session: Session) -> None:
        sites.listing(session, at.club_id)[0].retired_at = at.clock.now()

    assert "Lantern Steps" in client.get("/plan").text
    at.service.write(retire)

    assert "Lantern Steps" not in client.get("/plan").text


def test_a_nonce_is_read_only_with_its_own_key() -> None:
    """Two installations do not take each other's forms; what was issued gives back the same key each time."""
    now = datetime(2027, 6, 1, tzinfo=UTC)
    issued = nonce.issue("k" * 40, now)

    assert nonce.read("k" * 40, issued, now) == nonce.read("k" * 40, issued, now + timedelta(days=6)) is not None
    assert nonce.read("other" * 10, issued, now) is None
    assert nonce.issue("k" * 40, now) != issued
    assert CLEO not in issued
