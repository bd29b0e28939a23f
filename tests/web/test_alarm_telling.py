"""The alarm page: what a contact can tell besides the three answers, a link for rescue, and how the page stays true."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import pytest
from flask.testing import FlaskClient
from sqlalchemy.exc import OperationalError

from service.domain.dive.commands import RaiseNow, Start, Tick
from service.domain.people import Actor, Role, Via
from service.domain.place.conditions import Current
from service.domain.place.fix import Source
from service.domain.place.position import Position
from service.domain.wording import LinkKind
from service.operations.pages import LinkView, dive_details
from service.operations.recording import act
from service.web import alarm_page
from tests.web.installation import ANNA, NOON, PUBLIC_URL, Site
from tests.web.reading import Page
from tests.web.test_alarm_page import AlarmPage

ANNA_BY_TEXT = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN")
PAGE_MAX = 60_000


@pytest.fixture
def page(at: Site, client: FlaskClient) -> AlarmPage:
    """Two divers, twenty minutes over, at 11:10."""
    dive = at.filed()
    act(at.service, dive.id, Start(ANNA_BY_TEXT))
    at.clock.forward(70)
    act(at.service, dive.id, Tick())
    return AlarmPage(at, client, dive, at.alarm_path(dive))


def entries(page: AlarmPage, kind: str) -> list[str]:
    """Who is named in the log entries of a kind."""
    details = dive_details(page.at.service, page.at.club_id, page.dive.id)
    assert details is not None
    return [entry.actor["name"] for entry in details.entries if entry.kind == kind and entry.actor]


def test_a_contact_says_that_they_are_at_the_site(page: AlarmPage) -> None:
    """It is noted once; the page then has the button no more, and says where not to go."""
    answer = page.answer("on_scene")

    assert [told.key for told in page.now.on_scene] == ["contact-0"]
    assert "Do not go into the water yourself." in answer.text
    assert 'value="on_scene"' not in answer.text
    again = page.answer("on_scene")
    assert again.status_code == 409
    assert "noted already" in again.text


def test_a_contact_says_where_and_when_they_saw_them_last(page: AlarmPage) -> None:
    """The position is theirs, of that time; it is used unless the party said something later."""
    answer = page.answer("seen", seen_at="47 07.386 N 020 32.640 W", seen_when="10:58")

    fix = page.now.fix
    assert answer.status_code == 200
    assert fix is not None
    assert (fix.source, fix.by) == (Source.CONTACT, "Cleo Marsh")
    assert fix.at == NOON + timedelta(minutes=58)
    assert abs(fix.position.lat - 47.1231) < 0.00001
    assert "As seen from the shore by Cleo Marsh, 10:58" in answer.text


@pytest.mark.parametrize(
    ("typed", "expected"),
    [
        ("", timedelta(minutes=70)),
        ("10:58", timedelta(minutes=58)),
        ("10:58:00", timedelta(minutes=58)),
        ("10.58", timedelta(minutes=58)),
        ("1058", timedelta(minutes=58)),
        ("9:05", timedelta(minutes=-55)),
        ("11:11", timedelta(minutes=71)),
        ("23:10", timedelta(minutes=-650)),
    ],
)
def test_the_time_of_a_sighting_is_the_last_one_that_it_can_be(
    page: AlarmPage, typed: str, expected: timedelta
) -> None:
    """Left empty it is now; a minute that our clock has not reached yet is no matter; a later one was yesterday."""
    page.answer("seen", seen_at="47.1231, -20.544", seen_when=typed)

    (fix,) = page.now.fixes
    assert fix.at == NOON + expected


@pytest.mark.parametrize(
    ("fields", "field", "words"),
    [
        ({"seen_at": "near the pier"}, "seen_at", "Give a position such as"),
        ({"seen_at": "91.1234, -5.2"}, "seen_at", "Latitude 91.1234 is impossible"),
        ({"seen_at": "47.1231, -20.544", "seen_when": "soon"}, "seen_when", "Give a time of day such as 14:30"),
        ({"seen_at": "47.1231, -20.544", "seen_when": "25:00"}, "seen_when", "Write it like 14:30"),
        ({"current_towards": "NE"}, "current_kn", "Give the speed of the current in knots too"),
    ],
)
def test_what_cannot_be_used_is_said_beside_its_field(
    page: AlarmPage, fields: dict[str, str], field: str, words: str
) -> None:
    """Nothing typed is lost, the fold is open, and nothing changed."""
    before = page.now

    answer = page.answer("seen" if "seen_at" in fields else "conditions", **fields)

    shown = Page(answer.text)
    (wrong,) = [one["id"] for one in shown.all("input") if one.get("aria-invalid")]
    kept = {one["name"]: one["value"] for one in shown.all("input") if one.get("value") and one["type"] != "hidden"}
    fold = {"seen_at": "seen", "seen_when": "seen"}.get(field, "water")
    assert answer.status_code == 422
    assert (wrong, kept) == (field, {"reference": page.dive.reference, **fields})
    assert words in answer.text
    assert ["open" in one for one in shown.all("details") if one.get("id") == fold] == [True]
    assert page.now == before


def test_the_current_as_seen_now_is_noted(page: AlarmPage) -> None:
    """It moves the search picture, and the page says whose word it is."""
    answer = page.answer("conditions", current_towards="E", current_kn="0.8")

    seen = page.now.conditions
    assert seen is not None
    assert (seen.current, seen.by) == (Current(90, 0.8), "Cleo Marsh")
    assert "as seen by Cleo Marsh 11:10" in answer.text


@pytest.mark.parametrize("do", ["on_scene", "seen", "conditions", "pack_link"])
def test_without_the_right_reference_nothing_is_noted_and_no_link_is_made(page: AlarmPage, do: str) -> None:
    """A program that opens links and presses buttons does not know what is printed in the text."""
    before = page.now

    answer = page.answer(do, "", seen_at="47.1231, -20.544", current_towards="E", current_kn="1")

    assert answer.status_code == 422
    assert "not the reference in your text" in answer.text
    assert 'value="47.1231, -20.544"' in answer.text
    assert page.now == before
    assert entries(page, "link_made") == []


def test_a_link_for_rescue_opens_the_pack_and_nothing_else(page: AlarmPage) -> None:
    """It is shown with how to pass it on, is logged with whose doing it was, and can answer nothing."""
    answer = page.answer("pack_link")

    found = re.search(rf'id="rescue-link">({re.escape(PUBLIC_URL)}/handover/[A-Za-z0-9_-]{{22}})<', answer.text)
    assert found
    path = found[1].removeprefix(PUBLIC_URL)
    assert "Give it only to the rescue service" in answer.text
    assert "sms:?body=http" in answer.text
    assert entries(page, "link_made") == ["Cleo Marsh"]
    assert "Overdue divers: Anna Holt" in page.client.get(path).text
    assert page.client.get(path.replace("/handover/", "/alarm/")).status_code == 410


def test_the_contacts_own_link_opens_the_pack(page: AlarmPage) -> None:
    """For whoever is on the phone to rescue already."""
    address = page.path.replace("/alarm/", "/handover/")

    assert f'href="{address}"' in page.shown
    assert page.client.get(address).status_code == 200


def test_once_the_reference_was_right_it_stays_in_its_field(page: AlarmPage) -> None:
    """A second answer needs no second look at the text; a page that is only opened never holds it."""
    assert f'value="{page.dive.reference}"' in page.answer("ok").text
    assert f'value="{page.dive.reference}"' not in page.shown
    assert not re.search(rf"\b{page.dive.reference}\b", page.shown)


def look(page: AlarmPage) -> str:
    """The mark by which the page knows whether it is still good."""
    answer = page.client.get(f"{page.path}/standing")
    assert answer.status_code == 200
    return str(answer.json["look"])  # type: ignore[index]


def test_the_page_knows_whether_it_is_still_good(page: AlarmPage) -> None:
    """A few bytes, with the time at the site; the mark is that of the page until something happens."""
    answer = page.client.get(f"{page.path}/standing")

    assert len(answer.data) < 100
    assert answer.json == {"look": look(page), "at": "11:10:00"}
    assert f'data-look="{look(page)}"' in page.shown
    before = look(page)
    page.answer("ok")
    assert look(page) != before


def test_time_alone_makes_a_page_old(at: Site, client: FlaskClient) -> None:
    """After five minutes, and at the raise-by time to the minute: then the next step is another."""
    dive = at.filed()
    act(at.service, dive.id, Start(ANNA_BY_TEXT))
    page = AlarmPage(at, client, dive, at.alarm_path(dive))
    at.clock.forward(61)
    first = look(page)
    at.clock.forward(3)
    assert look(page) == first
    at.clock.forward(1)

    assert look(page) != first
    assert "Call Anna Holt now" in page.shown


def test_looking_again_by_script_is_no_new_opening(page: AlarmPage) -> None:
    """The log names an opening; a page that stays open does not fill it."""
    page.client.get(page.path)
    page.client.get(f"{page.path}/standing")
    page.client.get(f"{page.path}?live")

    assert entries(page, "page_viewed") == ["Cleo Marsh"]


def test_a_link_that_is_dead_is_said_to_be_by_the_small_answer_too(page: AlarmPage) -> None:
    """So that a page left open says it, a day after the end."""
    page.answer("safe", count="2")
    page.at.clock.forward(24 * 60 + 1)

    assert page.client.get(f"{page.path}/standing").status_code == 410


def test_the_whole_page_is_under_60_kb(page: AlarmPage) -> None:
    """Page with its sketch, stylesheet, scripts and icon, uncompressed, at its longest: distress after hours."""
    for _ in range(30):
        page.at.clock.forward(10)
        act(page.at.service, page.dive.id, Tick())
    for text in ("47.1231, -20.544", "47.1240, -20.541"):
        page.answer("seen", seen_at=text)
    shown = page.shown

    used = [address for address in Page(shown).addresses() if address.startswith("/static/")]
    sizes = {address: len(page.client.get(address, buffered=True).data) for address in used}
    assert "<svg" in shown
    assert len(used) == 4
    assert len(shown.encode()) + sum(sizes.values()) < PAGE_MAX, (len(shown), sizes)


def test_what_is_said_again_and_again_is_one_line(page: AlarmPage) -> None:
    """The repeats of distress do not bury what else happened."""
    page.answer("ok")
    for _ in range(5):
        page.at.clock.forward(10)
        act(page.at.service, page.dive.id, Tick())

    line = page.shown.partition("<h2>What happened</h2>")[2]
    assert line.count("Told again to call rescue now") == 1
    assert re.search(r"Told again to call rescue now: Cleo Marsh, Dov Lind\. 4 times, last 12:00\.", line)


def test_of_a_long_line_the_newest_is_shown_and_the_rest_counted(
    page: AlarmPage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The pack has all of it."""
    monkeypatch.setattr(alarm_page, "MOMENTS_MAX", 2)

    line = page.shown.partition("<h2>What happened</h2>")[2]
    assert "The first 2 entries are in the pack." in line
    assert line.count("<li") == 2
    assert "Alerted" in line


@pytest.mark.parametrize("fault", [ZeroDivisionError("drift"), OperationalError("SELECT", {}, Exception("locked"))])
def test_a_fault_in_the_facts_leaves_who_where_and_whom_to_call(
    page: AlarmPage, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture, fault: Exception
) -> None:
    """Whatever is wrong with a drawing or a reckoning: the page says that part of it is missing, and shows the plan."""

    def fails(*_: object, **__: object) -> None:
        raise fault

    monkeypatch.setattr(alarm_page, "pack", fails)

    shown = page.shown
    for words in (
        "Part of this page could not be made.",
        "Call Anna Holt now",
        'href="tel:112"',
        "47.12345,-20.54321",
        "2 divers: Anna Holt, Bram Vik.",
        "due out",
        "Say what you know",
        "Alarm raised by the clock",
    ):
        assert words in shown, words
    assert "web.alarm_facts_failed" in [record.message for record in caplog.records]
    assert page.answer("called").status_code == 200


def test_the_page_says_whose_words_raised_the_alarm_after_another_sos_without_any(page: AlarmPage) -> None:
    """The words stay, beside the name of who said them, and the clock's alarm stays the clock's."""
    said = "one diver floats off the slip"
    cleo = Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, "contact-0", "+447700900011", f"SOS {said}")
    act(page.at.service, page.dive.id, RaiseNow(cleo, said))
    act(page.at.service, page.dive.id, RaiseNow(replace(ANNA_BY_TEXT, words="SOS")))

    shown = page.shown
    assert f"<p>Cleo Marsh said: <q>{said}</q></p>" in shown
    assert re.search(r"Alarm raised \d\d:\d\d by the clock. Cleo Marsh 11:10: ", shown)
    assert "Anna Holt 11:10 too." in shown


def test_once_it_is_over_nothing_is_asked_any_more(page: AlarmPage) -> None:
    """The facts and the line stay; the sketch and the answers go."""
    page.answer("safe", count="2")

    shown = page.shown
    assert "<h1>It is over</h1>" in shown
    assert "Stood down, all safe" in shown
    assert "<svg" not in shown
    assert "<form" not in shown


def test_in_a_drill_every_next_step_is_marked(page: AlarmPage, monkeypatch: pytest.MonkeyPatch) -> None:
    """EXERCISE stands at the top and before the step."""
    real = alarm_page.opened

    def drilled(token: str, *kinds: LinkKind) -> LinkView:
        view = real(token, *kinds)
        return replace(view, dive=replace(view.dive, drill=True))

    monkeypatch.setattr(alarm_page, "opened", drilled)

    shown = page.shown
    assert "<strong>EXERCISE</strong>" in shown
    assert "<h1>EXERCISE: Call Anna Holt now</h1>" in shown
    assert "EXERCISE: Overdue divers" in shown
    assert "tel:112" not in shown


def test_a_sighting_far_away_is_kept_and_not_used(page: AlarmPage) -> None:
    """A slip of the pen must not send rescue elsewhere."""
    answer = page.answer("seen", seen_at="20.1, -20.5")

    assert "Position kept but not used" in answer.text
    assert page.now.fix is None
    assert page.now.fixes[0].position == Position(20.1, -20.5)
