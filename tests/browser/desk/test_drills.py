"""A drill and a sign as an officer has them: begun, watched while it fills, ended; printed, on each kind of screen."""

from __future__ import annotations

import pypdfium2
import pytest
from flask import Flask
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import Select
from sqlalchemy.orm import Session

from service.domain.dive.commands import Acknowledge
from service.domain.people import Actor, Role, Via
from service.operations.recording import act
from service.operations.sweeping import sweep
from service.store import drills
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint, comes_to, push
from tests.web.installation import CLEO, Site

pytestmark = pytest.mark.browser


@pytest.fixture(params=["desk_phone", "desk_wide", "desk_plain"])
def kind(request: pytest.FixtureRequest) -> str:
    """Each kind of screen."""
    return str(request.param)


@pytest.fixture
def seat(kind: str, request: pytest.FixtureRequest) -> Seat:
    """The owner, on that screen."""
    found: Seat = request.getfixturevalue(kind)
    return found


def shows(seat: Seat, words: str) -> None:
    """The page comes to say that; it fits the screen, and the browser complains of nothing."""
    comes_to(seat.browser, lambda: words in seat.browser.find_element(By.TAG_NAME, "main").text)
    assert_fits(seat.browser)
    assert_no_complaint(seat.browser)


def press(seat: Seat, words: str) -> None:
    """Press the button, or follow the link, that has these words."""
    push(seat.browser, By.XPATH, f"//*[self::button or self::a][text()='{words}']")


def write(seat: Seat, name: str, words: str) -> None:
    """Put words into a field in the place of what is there."""
    field = seat.browser.find_element(By.NAME, name)
    field.clear()
    field.send_keys(words)


def box_of(seat: Seat, name: str) -> WebElement:
    """The box beside the name of a contact."""
    found: WebElement = seat.browser.find_element(By.XPATH, f"//label[contains(., '{name}')]/input")
    return found


def dive_of(site: Site) -> str:
    """The dive of the drill that runs."""

    def work(session: Session) -> str:
        [running] = drills.open_ones(session)
        return drills.dive_ids(session, running.id)[0]

    return site.service.read(work)


def test_an_officer_begins_a_drill_watches_its_report_fill_and_ends_it(seat: Seat, kind: str) -> None:
    """By itself where scripts run, by a link where they do not; a slip of the pen keeps what was typed."""
    seat.go("/admin/drills")
    shows(seat, "A club that has never seen its alarm")
    write(seat, "due_out", "3")
    box_of(seat, "Cleo Marsh").send_keys(Keys.SPACE)
    press(seat, "Begin the drill")
    shows(seat, "Give 5 to 60 minutes until due out.")
    assert box_of(seat, "Cleo Marsh").is_selected()
    write(seat, "due_out", "5")
    write(seat, "grace", "5")
    press(seat, "Begin the drill")
    shows(seat, "Running.")
    shows(seat, "Nobody has been alerted yet.")

    dive_id = dive_of(seat.site)
    seat.site.clock.forward(10)
    sweep(seat.site.service)
    by = Actor(Role.CONTACT, "Cleo Marsh", Via.PAGE, key="contact-0", phone=CLEO)
    act(seat.site.service, dive_id, Acknowledge(by))
    if kind == "desk_plain":
        press(seat, "Look again")
    shows(seat, "OK, they act")

    press(seat, "End the drill now")
    shows(seat, "ended at the desk, by Edda Rowe")
    shows(seat, "What this drill does not show")
    press(seat, "All drills")
    shows(seat, "Over: ended at the desk.")


def test_a_sign_is_chosen_by_its_form_and_fetched(seat: Seat) -> None:
    """The form leads to the sheet that was chosen; the file is what a printer gets."""
    seat.go("/admin/paper")
    shows(seat, "Site sign")
    for name, value in (("sign-language", "it"), ("sign-paper", "letter")):
        Select(seat.browser.find_element(By.ID, name)).select_by_value(value)
    form = seat.browser.find_element(By.CSS_SELECTOR, "form[action='/admin/paper/sign.pdf']")
    chosen = [
        f"{field.get_attribute('name')}={field.get_attribute('value')}"
        for field in form.find_elements(By.TAG_NAME, "select")
    ]

    with pypdfium2.PdfDocument(fetched(seat, f"/admin/paper/sign.pdf?{'&'.join(chosen)}")) as opened:
        text = opened[0].get_textpage()
        words = " ".join(text.get_text_range().split())
        text.close()
        assert opened.get_page_size(0) == (612, 792)
    assert "IN LANTERN 50 P2" in words
    assert "In acqua" in words


def fetched(seat: Seat, path: str) -> bytes:
    """A file of the desk, by the session of the browser."""
    app: Flask = seat.site.app
    client = app.test_client()
    for cookie in seat.browser.get_cookies():
        client.set_cookie(cookie["name"], cookie["value"], domain="localhost")
    answer = client.get(path)
    assert answer.status_code == 200
    return answer.data
