"""A contact's page before any alarm: it says what is asked of them, and decides only by a button and the reference."""

from __future__ import annotations

import re
from dataclasses import dataclass

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.domain.dive import Dive
from service.domain.dive.commands import CallOff, RaiseNow
from service.domain.people import Actor, Role, Via
from service.domain.standing import Standing
from service.domain.wording import LinkKind
from service.operations.proof_of_reach import standings
from service.operations.recording import act
from service.store import log, reaches
from tests.web.installation import ANNA, API_TOKEN, CLEO, PLAN_FORM, Site
from tests.web.reading import Page

BY_ANNA = Actor(Role.DIVER, "Anna Holt", Via.PAGE, key="diver-0", phone=ANNA, words="NOGO")


@dataclass
class ContactPage:
    """A filed dive and the page of its first contact."""

    at: Site
    client: FlaskClient
    dive: Dive
    path: str

    def press(self, do: str, reference: str | None = None) -> TestResponse:
        """Press a button, with the right reference unless another is given."""
        given = self.dive.reference if reference is None else reference
        return self.client.post(self.path, data={"do": do, "reference": given})

    @property
    def standing(self) -> Standing:
        """What is known of the contact now."""
        return standings(self.at.service, self.at.now_of(self.dive))[0].standing

    @property
    def shown(self) -> str:
        """The page as it is now."""
        return self.client.get(self.path).text


@pytest.fixture
def page(at: Site, client: FlaskClient) -> ContactPage:
    """The page of Cleo, who agreed before."""
    dive = at.filed()
    return ContactPage(at, client, dive, at.path(dive, "contact-0", LinkKind.CONTACT))


def test_the_page_says_at_length_what_the_text_says_in_short(page: ContactPage) -> None:
    """Who named them, for which club, what happens, how to answer, and what is kept."""
    shown = page.shown

    for words in (
        "Skerry Bay Divers",
        "Anna Holt has named you, Cleo Marsh,",
        "When they go in",
        "If they are not out in time",
        "If you hear nothing at all from us",
        "I agree: I will be a contact",
        "I decline: I will be no contact",
        "AGREE or DECLINE",
        "text STOP",
        "What is kept",
        "Agreed.",
    ):
        assert words in shown, words


def test_the_page_is_sound_without_scripts(page: ContactPage) -> None:
    """Every field has its label, nothing is loaded from elsewhere, and no script is needed."""
    read = Page(page.shown)

    assert read.unlabelled() == []
    assert read.all("script") == []
    assert [button["value"] for button in read.all("button") if "value" in button] == ["agree", "decline"]


@pytest.mark.parametrize("method", ["get", "head", "options"])
def test_opening_the_page_decides_nothing(page: ContactPage, method: str) -> None:
    """However it is opened, and with whatever behind it."""
    before = page.at.service.read(lambda session: reaches.find(session, "skerry", [CLEO]))

    getattr(page.client, method)(f"{page.path}?do=decline&reference={page.dive.reference}")

    assert page.at.service.read(lambda session: reaches.find(session, "skerry", [CLEO])) == before


@pytest.mark.parametrize(("do", "standing"), [("decline", Standing.DECLINED), ("agree", Standing.AGREED)])
def test_a_button_with_the_reference_decides(page: ContactPage, do: str, standing: Standing) -> None:
    """The page says so, the club's log has it, and couriers are hurried for what it causes."""
    nudges = page.at.nudges.count

    answer = page.press(do)

    assert answer.status_code == 200
    assert "Noted that you will be" in answer.text
    assert (page.standing, page.at.nudges.count) == (standing, nudges + 1)
    entries = page.at.service.read(lambda session: log.entries(session, log.club_chain("skerry")))
    [word] = [entry for entry in entries if entry.kind == f"contact_{standing}"]
    assert (word.actor or {})["via"] == "page"


def test_the_later_word_holds(page: ContactPage) -> None:
    """Declined and then agreed: the dive counts on them again."""
    page.press("decline")
    assert page.at.now_of(page.dive).unreachable == ("contact-0",)
    page.at.clock.forward(1)

    page.press("agree")

    assert (page.standing, page.at.now_of(page.dive).unreachable) == (Standing.AGREED, ())


@pytest.mark.parametrize("reference", ["", "2A2", "no", "0"])
def test_without_the_reference_nothing_is_decided(page: ContactPage, reference: str) -> None:
    """A program that opens links and presses buttons has not read the text."""
    answer = page.press("decline", reference)

    assert answer.status_code == 422
    assert "not the reference in your text, so nothing changed" in answer.text
    assert page.standing is Standing.AGREED


@pytest.mark.parametrize("do", ["", "ok", "decline now"])
def test_no_other_button_is_known(page: ContactPage, do: str) -> None:
    """An unknown one is answered, and changes nothing."""
    answer = page.press(do)

    assert (answer.status_code, page.standing) == (422, Standing.AGREED)
    assert "Use one of the two buttons" in answer.text


def test_what_was_typed_stays_after_a_mistake(page: ContactPage) -> None:
    """So that it can be mended."""
    assert 'value="9X"' in page.press("agree", "9X").text


def test_a_post_that_another_site_brought_about_is_refused(page: ContactPage) -> None:
    """As on every page."""
    data = {"do": "decline", "reference": page.dive.reference}

    answer = page.client.post(page.path, data=data, headers={"Sec-Fetch-Site": "cross-site"})

    assert (answer.status_code, page.standing) == (403, Standing.AGREED)


@pytest.mark.parametrize("kind", [LinkKind.ALARM, LinkKind.DIVE, LinkKind.HANDOVER])
def test_no_other_link_opens_it_and_it_opens_no_other(page: ContactPage, kind: LinkKind) -> None:
    """Each link is for its own page."""
    token = page.path.rpartition("/")[2]
    other = page.at.path(page.dive, "contact-0", kind).rpartition("/")[2]

    assert page.client.get(f"/contact/{other}").status_code == 410
    assert page.client.get(f"/{kind}/{token}").status_code == 410


def test_the_link_dies_a_day_after_the_dive_as_the_others_do(page: ContactPage) -> None:
    """By text they may decide for ever."""
    act(page.at.service, page.dive.id, CallOff(BY_ANNA))
    page.at.clock.forward(23 * 60)
    assert page.client.get(page.path).status_code == 200
    page.at.clock.forward(2 * 60)

    assert page.client.get(page.path).status_code == 410
    assert page.press("decline").status_code == 410


def test_during_an_alarm_the_page_says_that_it_is_no_answer(page: ContactPage) -> None:
    """Nobody may believe that they said they act."""
    assert "There is an alarm" not in page.shown

    act(page.at.service, page.dive.id, RaiseNow(BY_ANNA))

    assert "There is an alarm for one of these dives now" in page.shown
    assert "answer the text about it, as it says: OK and its reference." in page.shown
    # Else a program that opens the link would find on it what shows that a person answers.
    assert page.dive.reference not in re.sub(r"<[^>]+>", " ", page.shown).split()


def test_the_divers_page_shows_how_far_each_contact_can_be_relied_upon(page: ContactPage, client: FlaskClient) -> None:
    """With what a decline means for this dive."""
    path = page.at.dive_path(page.dive)
    assert "Cleo Marsh: agreed." in client.get(path).text

    page.press("decline")

    assert "Cleo Marsh: declined, nothing goes to them. Nothing reaches them now." in client.get(path).text
    assert "Dov Lind: agreed." in client.get(path).text


def test_the_page_of_a_filed_plan_shows_it_and_the_advice(at: Site, client: FlaskClient) -> None:
    """New contacts have never answered, and the diver is told to phone one."""
    form = PLAN_FORM | {"contact_1_phone": "07700 900391", "contact_2_phone": "07700 900392"}
    seen = client.post("/plan", data=form).text
    nonce = next(field["value"] for field in Page(seen).all("input") if field.get("name") == "nonce")

    shown = client.post("/plan", data=form | {"do": "file", "nonce": nonce}).text

    assert "None of your contacts has ever answered us: phone one of them before you go in." in seen
    assert "Cleo Marsh: never answered." in shown
    assert "None of your contacts has ever answered us" in shown


def test_a_plan_that_nobody_would_receive_is_refused_beside_the_contacts(
    page: ContactPage, client: FlaskClient
) -> None:
    """With what to do, and all that was typed still there."""
    page.press("decline")
    form = PLAN_FORM | {"contact_1_phone": CLEO, "contact_2_name": "", "contact_2_phone": ""}

    answer = client.post("/plan", data=form)

    assert answer.status_code == 422
    assert (
        "Name somebody else ashore who will raise the alarm. Nothing would reach Cleo Marsh (declined)." in answer.text
    )


def test_the_api_gives_the_standing_of_each_contact(page: ContactPage, client: FlaskClient) -> None:
    """For a filed plan and for a dive."""
    token = {"Authorization": f"Bearer {API_TOKEN}"}
    page.press("decline")
    body = {
        "site": "LANTERN",
        "run_time_min": 50,
        "lead": {"name": "Anna Holt", "phone": ANNA},
        "contacts": [{"name": "Cleo Marsh", "phone": CLEO}, {"name": "Ida Berg", "phone": "+447700900391"}],
    }

    filed = client.post("/api/v1/plans", json=body, headers=token).json
    assert filed is not None
    dive = client.get(f"/api/v1/dives/{filed['id']}", headers=token).json
    assert dive is not None

    assert filed["standings"] == dive["standings"]
    assert filed["standings"] == [
        {"key": "contact-0", "name": "Cleo Marsh", "standing": "declined"},
        {"key": "contact-1", "name": "Ida Berg", "standing": "never_answered"},
    ]
    words = [check["words"] for check in filed["checks"] if check["field"] == "contacts"]
    assert any("Cleo Marsh declined to be a contact" in one for one in words)
    assert "Nothing proves that we reach your other contacts: phone one of them before you go in." in words


def test_a_script_never_sees_the_token_of_a_contacts_page(at: Site, client: FlaskClient) -> None:
    """It must not agree in somebody's name."""
    token = {"Authorization": f"Bearer {API_TOKEN}"}
    body = {
        "site": "LANTERN",
        "run_time_min": 50,
        "lead": {"name": "Anna Holt", "phone": ANNA},
        "contacts": [{"name": "Ida Berg", "phone": "+447700900391"}],
    }
    filed = client.post("/api/v1/plans", json=body, headers=token).json
    assert filed is not None

    dive = client.get(f"/api/v1/dives/{filed['id']}", headers=token).json
    assert dive is not None

    [told] = [one["body"] for one in dive["messages"] if one["to"] == "contact-0"]
    assert told.endswith("/contact/...")
