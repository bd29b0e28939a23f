"""The diver's page: a position from the phone or typed, and what the water does."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.domain.dive import Dive, Phase
from service.domain.place.conditions import Current, Wind
from service.domain.place.fix import Doubt, Source
from service.domain.place.position import Position
from tests.web.installation import NOON, RECEIVING, Site
from tests.web.reading import Page

NEAR = {"lat": "47.1231000", "lon": "-20.5440000", "accuracy_m": "12.4", "at": "2027-06-01T10:04:30.000Z"}


@dataclass
class DivePage:
    """A dive in the water and the page of its lead."""

    at: Site
    client: FlaskClient
    dive: Dive
    path: str

    def press(self, do: str, **fields: str) -> TestResponse:
        """Press a button."""
        return self.client.post(self.path, data={"do": do, **fields})

    @property
    def now(self) -> Dive:
        """The dive as it stands."""
        return self.at.now_of(self.dive)


@pytest.fixture
def page(at: Site, client: FlaskClient) -> DivePage:
    """Two in the water for five minutes."""
    dive = at.filed()
    found = DivePage(at, client, dive, at.dive_path(dive))
    found.press("in", count="2")
    at.clock.forward(5)
    return found


def test_the_phones_own_position_is_kept_with_accuracy_time_and_source(page: DivePage) -> None:
    """The answer says what was noted, that the clock goes on, and the page shows it as the last one known."""
    answer = page.press("fix", **NEAR)

    fix = page.now.fix
    assert answer.status_code == 200
    assert fix is not None
    assert fix.position == Position(47.1231, -20.544)
    assert (fix.accuracy_m, fix.source, fix.by) == (12.4, Source.BROWSER, "Anna Holt")
    assert fix.at == NOON + timedelta(minutes=4, seconds=30)
    assert "Position noted: 47.12310 N, 20.54400 W at 10:04 (Azores time), good to 13 m." in answer.text
    assert "The clock goes on as before." in answer.text
    assert "from the phone of Anna Holt, sent on its page, 10:04" in answer.text
    assert page.now.phase is Phase.IN_WATER


def test_what_was_sent_again_for_want_of_an_answer_counts_once(page: DivePage) -> None:
    """The same position of the same moment; a later one is another, the same place or not."""
    page.press("fix", **NEAR)

    again = page.press("fix", **NEAR)
    assert again.status_code == 200
    assert "that was known already" in again.text
    assert len(page.now.fixes) == 1
    page.press("fix", **(NEAR | {"at": "2027-06-01T10:04:31.000Z"}))
    assert len(page.now.fixes) == 2


def test_a_position_without_accuracy_or_time_is_of_now(page: DivePage) -> None:
    """A browser that says less is still heard."""
    page.press("fix", lat=NEAR["lat"], lon=NEAR["lon"])

    fix = page.now.fix
    assert fix is not None
    assert (fix.accuracy_m, fix.at) == (None, page.at.clock.now())


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"lat": "91"}, "is no position"),
        ({"lat": ""}, "is no position"),
        ({"lat": "nan"}, "is no position"),
        ({"lon": "-180.1"}, "is no position"),
        ({"lon": "\u0661"}, "is no position"),
        ({"accuracy_m": "-1"}, "no number of metres"),
        ({"accuracy_m": "nan"}, "no number of metres"),
        ({"accuracy_m": "inf"}, "no number of metres"),
        ({"accuracy_m": "near"}, "no number of metres"),
        ({"at": "yesterday"}, "cannot be read"),
        ({"at": "2027-06-01T10:04:30"}, "cannot be read"),
        ({"at": "0001-01-01T00:00:00+23:00"}, "cannot be read"),
    ],
)
def test_what_a_phone_cannot_have_measured_is_refused(page: DivePage, changes: dict[str, str], words: str) -> None:
    """In words that stand at the field in which one can type instead; nothing is kept."""
    answer = page.press("fix", **(NEAR | changes))

    assert answer.status_code == 422
    assert words in answer.text
    assert 'id="position-error"' in answer.text
    assert page.now.fixes == ()


@pytest.mark.parametrize(
    ("changes", "doubt", "words"),
    [
        ({"at": "2027-06-01T11:00:00Z"}, Doubt.FUTURE, "its time is in the future"),
        ({"lat": "20.0"}, Doubt.FAR, "it is far from Lantern Steps"),
    ],
)
def test_a_position_that_cannot_be_theirs_is_kept_and_not_used(
    page: DivePage, changes: dict[str, str], doubt: Doubt, words: str
) -> None:
    """The answer says why, so that whoever sent it can put it right."""
    answer = page.press("fix", **(NEAR | changes))

    assert [fix.doubt for fix in page.now.fixes] == [doubt]
    assert page.now.fix is None
    assert "Position kept but not used: " in answer.text
    assert words in answer.text


@pytest.mark.parametrize(
    "typed",
    [
        "47.1231, -20.544",
        "47 07.386 N 020 32.640 W",
        "N47\u00b007.386' W20\u00b032.640'",
        "geo:47.1231,-20.544",
        "4FF4+6CR",
    ],
)
def test_a_typed_position_is_read_in_any_form(page: DivePage, typed: str) -> None:
    """Without a script; a short plus code is looked for at the site. The answer shows how it was understood."""
    answer = page.press("position", position=typed)

    fix = page.now.fix
    assert answer.status_code == 200
    assert fix is not None
    assert abs(fix.position.lat - 47.1231) < 0.0001
    assert abs(fix.position.lon + 20.544) < 0.0001
    assert fix.source is Source.TYPED
    assert "Position noted: 47.123" in answer.text
    assert "typed on the page of Anna Holt" in answer.text


@pytest.mark.parametrize(
    ("typed", "words"),
    [
        ("", "Give a position such as"),
        ("by the big rock", "Give a position such as"),
        ("91.1234, -5.2", "Latitude 91.1234 is impossible"),
        ("47.123", "Give"),
    ],
)
def test_a_position_that_cannot_be_read_is_asked_for_again(page: DivePage, typed: str, words: str) -> None:
    """The words stand at the field, and what was typed is still in it."""
    answer = page.press("position", position=typed)

    shown = Page(answer.text)
    (field,) = [one for one in shown.all("input") if one.get("id") == "position"]
    assert answer.status_code == 422
    assert words in answer.text
    assert "Nothing changed." in answer.text
    assert field["value"] == typed
    assert field["aria-invalid"] == "true"
    assert "position-error" in field["aria-describedby"]
    assert page.now.fixes == ()


def test_the_page_asks_the_phone_only_by_a_button_and_works_without_it(page: DivePage) -> None:
    """The button is hidden until its script finds that the phone can answer; the number to text is at hand."""
    shown = page.client.get(page.path)

    assert '<button type="button" id="locate" hidden>' in shown.text
    assert f'data-number="{RECEIVING}"' in shown.text
    assert "/static/position.js" in shown.text
    assert 'name="position"' in shown.text
    assert shown.headers["Permissions-Policy"].startswith("geolocation=(self)")


def test_no_other_page_may_ask_the_phone(page: DivePage) -> None:
    """Only the diver's page has a reason to."""
    for path in ("/", "/plan", page.at.alarm_path(page.dive), "/none"):
        assert page.client.get(path).headers["Permissions-Policy"].startswith("geolocation=()")


def test_the_water_and_the_wind_are_noted(page: DivePage) -> None:
    """By the winds of the compass or in degrees; the clock goes on."""
    answer = page.press("conditions", current_towards="north-east", current_kn="1,5", wind_from="225", wind_kn="12 kn")

    seen = page.now.conditions
    assert answer.status_code == 200
    assert seen is not None
    assert (seen.current, seen.wind, seen.by) == (Current(45, 1.5), Wind(225, 12), "Anna Holt")
    assert "Noted what the water and the wind do." in answer.text
    assert page.now.live


@pytest.mark.parametrize(
    ("fields", "current", "wind"),
    [
        ({"current_towards": "W", "current_kn": "0.5"}, Current(270, 0.5), None),
        ({"wind_from": "N", "wind_kn": "20"}, None, Wind(0, 20)),
        ({"current_kn": "0"}, Current(0, 0), None),
        ({"wind_kn": "0"}, None, Wind(0, 0)),
    ],
)
def test_one_of_the_two_is_enough(
    page: DivePage, fields: dict[str, str], current: Current | None, wind: Wind | None
) -> None:
    """What stands still needs no direction."""
    page.press("conditions", **fields)

    seen = page.now.conditions
    assert seen is not None
    assert (seen.current, seen.wind) == (current, wind)


@pytest.mark.parametrize(
    ("fields", "field", "words"),
    [
        ({"current_towards": "NE"}, "current_kn", "Give the speed of the current in knots too"),
        ({"current_kn": "1"}, "current_towards", "Give a direction such as NE"),
        ({"current_towards": "up", "current_kn": "1"}, "current_towards", "Give a direction such as NE"),
        ({"current_towards": "361", "current_kn": "1"}, "current_towards", "Give a direction in degrees from 0 to 360"),
        ({"current_towards": "NE", "current_kn": "13"}, "current_kn", "in knots, from 0 to 12"),
        ({"current_towards": "NE", "current_kn": "-1"}, "current_kn", "Give a speed in knots, such as 1.5"),
        ({"current_towards": "NE", "current_kn": "fast"}, "current_kn", "Give a speed in knots, such as 1.5"),
        ({"current_towards": "NE", "current_kn": "\u0661"}, "current_kn", "Give a speed in knots, such as 1.5"),
        ({"wind_from": "NE"}, "wind_kn", "Give the speed of the wind in knots too"),
        ({"wind_from": "400", "wind_kn": "1"}, "wind_from", "Give a direction in degrees from 0 to 360"),
        ({"wind_from": "NE", "wind_kn": "121"}, "wind_kn", "in knots, from 0 to 120"),
    ],
)
def test_a_current_or_wind_that_cannot_be_is_said_beside_its_field(
    page: DivePage, fields: dict[str, str], field: str, words: str
) -> None:
    """Nothing typed is lost, and the fold is open so that it is seen."""
    answer = page.press("conditions", **fields)

    shown = Page(answer.text)
    (wrong,) = [one["id"] for one in shown.all("input") if one.get("aria-invalid")]
    typed = {one["name"]: one["value"] for one in shown.all("input") if one.get("value") and one["name"] in fields}
    assert answer.status_code == 422
    assert words in answer.text
    assert (wrong, typed) == (field, fields)
    assert "open" in shown.all("details")[-1]
    assert page.now.conditions is None


def test_neither_current_nor_wind_is_said_to_be_nothing(page: DivePage) -> None:
    """The heart refuses it in words."""
    answer = page.press("conditions")

    assert answer.status_code == 409
    assert "Give the current or the wind" in answer.text


def test_after_the_end_no_position_is_taken(page: DivePage) -> None:
    """The page offers none, and a late press is told so."""
    page.press("out", count="2")

    assert 'id="place"' not in page.client.get(page.path).text
    assert page.press("fix", **NEAR).status_code == 409
    assert page.now.fixes == ()
