"""A plan form that is gone back to after it was filed: the same is filed once, and a change is never dropped."""

from __future__ import annotations

import re
from html import unescape

import pytest
from flask.testing import FlaskClient
from sqlalchemy import update
from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import CallOff, Finish, Start
from service.domain.people import Actor, Role, Via
from service.operations.pages import list_dives
from service.operations.recording import act
from service.store.dives import Unreadable
from service.store.tables import DiveRow
from service.web import filing_limits
from service.web.plan_form import FIELDS
from tests.web.installation import ANNA, PLAN_FORM, Site, fill, nonce_of
from tests.web.reading import Page

ANNA_TEXTS = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN")
CHANGED = {
    "run_time": "25",
    "contact_1_name": "Eve Ash",
    "contact_1_phone": "07700 900203",
    "diver_3_name": "Finn Oake",
}


def dives_of(at: Site) -> list[Dive]:
    """All dives of the club, the last filed first."""
    return [dive for dive in list_dives(at.service, at.club_id).dives if not isinstance(dive, Unreadable)]


def typed_in(page: str) -> dict[str, str]:
    """Every field of the form on a page with what stands in it, as a browser would send it."""
    shown = Page(page)
    typed = {one["name"]: one.get("value", "") for one in shown.all("input") if one.get("type") != "checkbox"}
    typed |= {one["name"]: one["value"] for one in shown.all("input") if "checked" in one}
    chosen = re.findall(r'<select id="(\w+)".*?</select>', page, re.DOTALL)
    for name in chosen:
        options = page.partition(f'<select id="{name}"')[2].partition("</select>")[0]
        found = re.search(r'value="([^"]*)"[^>]* selected', options)
        typed[name] = found[1] if found else ""
    return typed


def press(client: FlaskClient, page: str, do: str, **changes: str) -> tuple[int, str]:
    """A button of the form on that page, with changes to what stands in it."""
    answer = client.post("/plan", data={**typed_in(page), **changes, "do": do})
    return answer.status_code, answer.text


@pytest.fixture
def preview(at: Site, client: FlaskClient) -> str:
    """The page that was gone back to: a preview, whose plan has been filed."""
    _, page = fill(client, "preview")
    assert press(client, page, "file")[0] == 200
    at.clock.forward(2)
    return page


def test_what_was_changed_is_said_to_be_in_no_plan(at: Site, client: FlaskClient, preview: str) -> None:
    """With what is filed, and what the form says, one by one; nothing typed is lost, and nothing is filed."""
    _, shown = press(client, preview, "preview", **CHANGED)

    status, page = press(client, shown, "file")

    (dive,) = dives_of(at)
    told = " ".join(unescape(page.partition('id="preview"')[2].partition("</div>")[0]).split())
    assert status == 409
    assert "What you changed is not filed" in told
    assert f"Reference {dive.reference}" in told
    for words in (
        "<strong>Run time</strong>: filed is 50 min. Here it says 25 min.",
        "filed is Anna Holt +44 7700 900101, English; Bram Vik +44 7700 900102, English. Here it says Anna Holt",
        "Finn Oake, English.",
        "<strong>Contacts</strong>: filed is Cleo Marsh +44 7700 900201, English; Dov Lind",
        "Here it says Eve Ash +44 7700 900203, English; Dov Lind",
    ):
        assert words in told, words
    assert {name: typed_in(page)[name] for name in CHANGED} == CHANGED
    assert "This plan was filed already" not in page


def test_one_press_files_what_was_changed_and_calls_the_earlier_plan_off(
    at: Site, client: FlaskClient, preview: str
) -> None:
    """Under codes of its own; pressed twice it is done once."""
    _, asked = press(client, preview, "file", **CHANGED)

    pages = [press(client, asked, "instead") for _ in range(2)]

    new, old = dives_of(at)
    assert [status for status, _ in pages] == [200, 200]
    assert "Plan filed" in pages[0][1]
    assert "This plan was filed already" in pages[1][1]
    for _, page in pages:
        assert f"The earlier plan, reference {old.reference}, is called off" in page
        assert f"IN {new.start_code}" in page
    assert new.plan.run_time.total_seconds() == 25 * 60
    assert [contact.name for contact in new.contacts] == ["Eve Ash", "Dov Lind"]
    assert len(new.divers) == 3
    assert (new.phase, old.phase) == (Phase.FILED, Phase.CLOSED)
    assert old.closed_by is not None
    assert (old.closed_by.name, old.closed_by.words) == (
        "Anna Holt",
        "File this plan, and call off the earlier one",
    )


def test_both_plans_stay_where_that_is_meant(at: Site, client: FlaskClient, preview: str) -> None:
    """The page says that the earlier one is there still."""
    _, asked = press(client, preview, "file", **CHANGED)

    status, page = press(client, asked, "file")

    new, old = dives_of(at)
    assert status == 200
    assert f"The earlier plan, reference {old.reference}, is still filed" in page
    assert (new.phase, old.phase) == (Phase.FILED, Phase.FILED)


def test_more_can_be_changed_before_it_is_filed_instead(at: Site, client: FlaskClient, preview: str) -> None:
    """Previews and mistakes keep what the form knows of the earlier plan."""
    _, asked = press(client, preview, "file", **CHANGED)
    _, wrong = press(client, asked, "preview", run_time="")
    _, shown = press(client, wrong, "preview", run_time="35")

    assert "A plan was filed by this form before" in wrong
    assert "filed is 50 min. Here it says 35 min." in shown
    assert press(client, shown, "instead")[0] == 200
    new, old = dives_of(at)
    assert (new.plan.run_time.total_seconds(), old.phase) == (35 * 60, Phase.CLOSED)


def test_a_form_that_was_filed_instead_and_is_changed_again_says_so_too(
    at: Site, client: FlaskClient, preview: str
) -> None:
    """Each plan that a form has filed is known by its own number."""
    _, asked = press(client, preview, "file", **CHANGED)
    press(client, asked, "instead")

    status, page = press(client, asked, "instead", run_time="40")

    assert status == 409
    assert "filed is 25 min. Here it says 40 min." in page
    assert press(client, page, "instead")[0] == 200
    assert sorted(dive.phase for dive in dives_of(at)) == [Phase.CLOSED, Phase.CLOSED, Phase.FILED]


def test_a_plan_that_has_been_started_is_not_called_off(at: Site, client: FlaskClient, preview: str) -> None:
    """The page says what to do instead, and that a new plan is a second clock."""
    (dive,) = dives_of(at)
    act(at.service, dive.id, Start(ANNA_TEXTS))

    status, page = press(client, preview, "file", **CHANGED)

    assert status == 409
    assert "Its clock runs" in page
    assert "Press Late on its page" in page
    assert 'value="instead"' not in page
    assert press(client, page, "file")[0] == 200
    assert sorted(one.phase for one in dives_of(at)) == [Phase.FILED, Phase.IN_WATER]


def test_a_plan_that_is_started_meanwhile_goes_on(at: Site, client: FlaskClient, preview: str) -> None:
    """The press came after an IN: the new plan is filed, and the page says how the first is ended."""
    (dive,) = dives_of(at)
    _, asked = press(client, preview, "file", **CHANGED)
    act(at.service, dive.id, Start(ANNA_TEXTS))

    status, page = press(client, asked, "instead")

    assert status == 200
    assert "The clock of the earlier plan runs" in page
    assert f"OUT {dive.finish_code}" in page
    assert at.now_of(dive).phase is Phase.IN_WATER
    assert len(dives_of(at)) == 2


def test_where_the_new_plan_is_refused_the_earlier_one_stays(
    at: Site, client: FlaskClient, preview: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nobody is left with none, and the form knows of it still."""
    _, asked = press(client, preview, "file", **CHANGED)
    monkeypatch.setattr(filing_limits, "AS_LEAD_MAX", 1)

    status, page = press(client, asked, "instead")

    (dive,) = dives_of(at)
    assert status == 429
    assert dive.phase is Phase.FILED
    monkeypatch.undo()
    assert press(client, page, "instead")[0] == 200


@pytest.mark.parametrize("changed", [{}, CHANGED], ids=["the same", "changed"])
def test_a_plan_whose_dive_is_over_is_filed_anew(
    at: Site, client: FlaskClient, preview: str, changed: dict[str, str]
) -> None:
    """Its codes are not shown as if they started anything."""
    (dive,) = dives_of(at)
    act(at.service, dive.id, CallOff(ANNA_TEXTS))

    status, page = press(client, preview, "file", **changed)

    assert status == 409
    assert "That dive is over" in page
    assert dive.start_code not in page
    assert press(client, page, "file")[0] == 200
    assert dives_of(at)[0].phase is Phase.FILED


def test_the_same_again_after_the_start_does_not_say_that_no_clock_runs(
    at: Site, client: FlaskClient, preview: str
) -> None:
    """It is once, and the page says that the dive has been started."""
    (dive,) = dives_of(at)
    act(at.service, dive.id, Start(ANNA_TEXTS))

    status, page = press(client, preview, "file")

    assert status == 200
    assert "This dive has been started" in page
    assert "The clock is not running yet" not in page
    act(at.service, dive.id, Finish(ANNA_TEXTS, count=2))
    assert press(client, preview, "file")[0] == 409


OTHER = {
    "site": {"site": "other", "place_name": "Far Cove", "place_position": "47.12, -20.54"},
    "time_in_date": {"time_in_date": "2027-06-01", "time_in_time": "12:00"},
    "run_time": {"run_time": "51"},
    "lead_name": {"lead_name": "Anna Holm"},
    "lead_phone": {"lead_phone": "07700 900109"},
    "lead_language": {"lead_language": "de"},
    "diver_2_name": {"diver_2_name": "Bram Wik"},
    "diver_2_phone": {"diver_2_phone": ""},
    "contact_1_name": {"contact_1_name": "Clea Marsh"},
    "contact_1_phone": {"contact_1_phone": "07700 900209"},
    "contact_1_email": {"contact_1_email": "cleo@skerry.example"},
    "contact_1_language": {"contact_1_language": "de"},
    "grace": {"grace": "10"},
    "depth": {"depth": "12"},
    "gas_cylinder": {"gas_cylinder": "12", "gas_fill": "200", "gas_reserve": "50", "gas_rate": "18"},
    "exit_1": {"exit_1": "Gully"},
    "exit_2": {"exit_2": ""},
    "vehicle": {"vehicle": "Red van"},
    "kit": {"kit": "Yellow fins"},
    "smb": {"smb": "Orange"},
    "water": {"water": "14"},
    "notes": {"notes": "Along the wall"},
    "medical": {"medical": "Asthma", "share_medical": "yes"},
}


@pytest.mark.parametrize("changed", OTHER.values(), ids=OTHER)
def test_whatever_is_changed_is_noticed(at: Site, client: FlaskClient, preview: str, changed: dict[str, str]) -> None:
    """No field of the form is one that may differ unsaid."""
    status, page = press(client, preview, "file", **changed)

    assert (status, len(dives_of(at))) == (409, 1)
    assert "What you changed is not filed" in page
    assert len(re.findall(r"<li><strong>[^<]+</strong>: filed is ", page)) == 1


def test_every_field_is_among_those() -> None:
    """A field that is new to the form is new to what is compared."""
    known = {name for changed in OTHER.values() for name in changed} | set(PLAN_FORM)
    like = {re.sub(r"\d", "n", name) for name in known}

    assert [name for name in FIELDS if re.sub(r"\d", "n", name) not in like and name != "place_rescue"] == []


def test_another_place_is_compared_by_all_that_was_typed_of_it(at: Site, client: FlaskClient) -> None:
    """Its name, its position and whom to call."""
    place = {"site": "other", "place_name": "Far Cove", "place_position": "47.12, -20.54", "place_rescue": "112"}
    number = nonce_of(client.get("/plan").text)
    assert fill(client, nonce=number, **place)[0] == 200
    assert fill(client, nonce=number, **place)[0] == 200

    for change in ({"place_name": "Far Bay"}, {"place_position": "47.13, -20.54"}, {"place_rescue": "999"}):
        status, page = fill(client, nonce=number, **{**place, **change})
        assert status == 409, change
        assert "<strong>Where</strong>" in page
    assert len(dives_of(at)) == 1


def test_what_the_form_writes_otherwise_is_the_same_plan(client: FlaskClient, preview: str) -> None:
    """Spaces, and a number with its country, change nothing."""
    same = {"lead_name": " Anna  Holt ", "contact_1_phone": "+44 7700 900201", "run_time": "50 min"}

    status, page = press(client, preview, "file", **same)

    assert status == 200
    assert "This plan was filed already" in page


@pytest.mark.parametrize("forged", ["x", "key.1811800000.AAAA", ""])
def test_a_number_of_an_earlier_plan_that_we_did_not_issue_calls_nothing_off(
    at: Site, client: FlaskClient, preview: str, forged: str
) -> None:
    """The plan is filed, and that is all."""
    (dive,) = dives_of(at)
    fresh = nonce_of(client.get("/plan").text)

    status, _ = press(client, preview, "instead", nonce=fresh, earlier=forged)

    assert status == 200
    assert at.now_of(dive).phase is Phase.FILED
    assert len(dives_of(at)) == 2


def test_an_earlier_plan_that_cannot_be_read_keeps_nobody_from_filing(
    at: Site, client: FlaskClient, preview: str
) -> None:
    """A fault in one dive is none of the next."""
    _, asked = press(client, preview, "file", **CHANGED)

    def damage(session: Session) -> None:
        session.execute(update(DiveRow).values(state="{"))

    at.service.write(damage)

    assert press(client, asked, "preview")[0] == 200
    assert press(client, asked, "instead")[0] == 200
    assert len(dives_of(at)) == 1
