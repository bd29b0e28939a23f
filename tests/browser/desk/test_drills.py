"""A drill and a sign as an officer has them: begun, watched while it fills, ended; printed, on each kind of screen."""

from __future__ import annotations

import time

import pypdfium2
import pytest
from flask import Flask
from selenium.webdriver.common.by import By
from selenium.webdriver.remote.webelement import WebElement
from sqlalchemy.orm import Session

from service.domain.dive.commands import Acknowledge
from service.domain.people import Actor, Role, Via
from service.operations.recording import act
from service.operations.sweeping import sweep
from service.store import drills
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint
from tests.web.installation import CLEO, Site

pytestmark = pytest.mark.browser

WAIT_S = 60.0


@pytest.fixture(params=["desk_phone", "desk_wide", "desk_plain"])
def kind(request: pytest.FixtureRequest) -> str:
    """Each kind of screen."""
    return str(request.param)


@pytest.fixture
def seat(kind: str, request: pytest.FixtureRequest) -> Seat:
    """The owner, on that screen."""
    found: Seat = request.getfixturevalue(kind)
    return found


def main(seat: Seat) -> str:
    """What the page says; it fits the screen, and the browser complains of nothing."""
    assert_fits(seat.browser)
    assert_no_complaint(seat.browser)
    return seat.browser.find_element(By.TAG_NAME, "main").text


def reach(seat: Seat, xpath: str) -> WebElement:
    """What is to be pressed, brought into view."""
    found: WebElement = seat.browser.find_element(By.XPATH, f"//main{xpath}")
    seat.browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", found)
    return found


def follow(seat: Seat, xpath: str) -> None:
    """Go where a link leads; pressing it takes the driver of a phone without scripts too long."""
    address = seat.browser.find_element(By.XPATH, xpath).get_attribute("href")
    assert address is not None
    seat.browser.get(address)


def dive_of(site: Site) -> str:
    """The dive of the drill that runs."""

    def work(session: Session) -> str:
        [running] = drills.open_ones(session)
        return drills.dive_ids(session, running.id)[0]

    return site.service.read(work)


def test_an_officer_begins_a_drill_watches_its_report_fill_and_ends_it(seat: Seat, kind: str) -> None:
    """By itself where scripts run, by a link where they do not; a slip of the pen keeps what was typed."""
    follow(seat, "//nav//a[text()='Drills']")
    assert "A club that has never seen its alarm" in main(seat)
    due = reach(seat, "//input[@name='due_out']")
    due.clear()
    due.send_keys("3")
    reach(seat, "//label[contains(., 'Cleo Marsh')]/input").click()
    reach(seat, "//button[text()='Begin the drill']").click()
    assert "Give 5 to 60 minutes until due out." in main(seat)
    assert reach(seat, "//label[contains(., 'Cleo Marsh')]/input").is_selected()
    due = reach(seat, "//input[@name='due_out']")
    due.clear()
    due.send_keys("5")
    reach(seat, "//input[@name='grace']").send_keys("5")
    reach(seat, "//button[text()='Begin the drill']").click()
    assert "Running." in main(seat)
    assert "Nobody has been alerted yet." in main(seat)

    dive_id = dive_of(seat.site)
    seat.site.clock.forward(10)
    sweep(seat.site.service)
    by = Actor(Role.CONTACT, "Cleo Marsh", Via.PAGE, key="contact-0", phone=CLEO)
    act(seat.site.service, dive_id, Acknowledge(by))
    fills(seat, "OK, they act", by_itself=kind != "desk_plain")

    reach(seat, "//button[text()='End the drill now']").click()
    assert "ended at the desk, by Edda Rowe" in main(seat)
    assert "What this drill does not show" in main(seat)
    follow(seat, "//main//a[text()='All drills']")
    assert "Over: ended at the desk." in main(seat)


def fills(seat: Seat, words: str, *, by_itself: bool) -> None:
    """The report comes to have these words: by itself, or when it is looked at again."""
    give_up_at = time.monotonic() + WAIT_S
    while words not in main(seat) and time.monotonic() < give_up_at:
        if by_itself:
            time.sleep(0.3)
        else:
            follow(seat, "//main//a[text()='Look again']")
    assert words in main(seat)


def test_a_sign_is_chosen_by_its_form_and_fetched(seat: Seat) -> None:
    """The form leads to the sheet that was chosen; the file is what a printer gets."""
    follow(seat, "//nav//a[text()='Paper']")
    assert "Site sign" in main(seat)
    reach(seat, "//select[@id='sign-language']/option[@value='it']").click()
    reach(seat, "//select[@id='sign-paper']/option[@value='letter']").click()
    form = reach(seat, "//form[@action='/admin/paper/sign.pdf']")
    chosen = {
        field.get_attribute("name"): field.get_attribute("value") for field in form.find_elements(By.TAG_NAME, "select")
    }

    answer = fetched(seat, f"/admin/paper/sign.pdf?{'&'.join(f'{name}={value}' for name, value in chosen.items())}")

    with pypdfium2.PdfDocument(answer) as opened:
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
