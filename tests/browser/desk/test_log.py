"""An officer at the log: searching, stepping through a dive, checking it, taking it out, keeping it."""

from __future__ import annotations

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from service.store import log
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint, push
from tests.web.desk.log_stage import finished_dive

pytestmark = pytest.mark.browser

BUTTON = "//button[normalize-space()='{}']"


@pytest.fixture(params=["desk_phone", "desk_wide", "desk_plain"])
def seat(request: pytest.FixtureRequest) -> Seat:
    """The owner, on each kind of screen."""
    found: Seat = request.getfixturevalue(request.param)
    return found


def believed(seat: Seat) -> str:
    """What the page says was believed."""
    return seat.browser.find_element(By.CSS_SELECTOR, "section.believed").text


def follow(seat: Seat, words: str) -> None:
    """Follow the link that says so."""
    push(seat.browser, By.PARTIAL_LINK_TEXT, words)


def press(seat: Seat, words: str) -> None:
    """Press the button that says so."""
    push(seat.browser, By.XPATH, BUTTON.format(words))


def test_an_officer_finds_a_dive_steps_through_it_checks_and_keeps_it(seat: Seat) -> None:
    """By what is on the pages alone; every page fits the screen and makes the browser complain of nothing."""
    dive = finished_dive(seat.site)

    seat.go("/admin/log")
    seat.browser.find_element(By.ID, "words").send_keys("acknowledged cleo")
    seat.browser.find_element(By.ID, "dive").send_keys(dive.reference)
    press(seat, "Show")
    assert "entries were looked through" in seat.browser.page_source
    assert len(seat.browser.find_elements(By.CSS_SELECTOR, ".entry")) == 1
    seat.browser.find_element(By.ID, "words").clear()
    seat.browser.find_element(By.ID, "who").send_keys("cleo")
    press(seat, "Show")
    assert_fits(seat.browser)
    [entry] = seat.browser.find_elements(By.CSS_SELECTOR, ".entry")
    assert "Has the alarm and acts." in entry.text
    assert "event:acknowledged" in seat.browser.page_source  # as recorded; opening it is the browser's own matter
    follow(seat, f"dive {dive.reference}, ")

    assert "Cleo Marsh: alerted 11:06, answered 11:06" in believed(seat)
    follow(seat, "Change before")
    assert "answered" not in believed(seat)
    assert_fits(seat.browser)
    follow(seat, "Next change")
    follow(seat, "Next change")
    assert "All out" in believed(seat)
    assert "No change after" in believed(seat)

    press(seat, "Check this dive")
    assert "exactly the fold of its events" in seat.browser.page_source
    assert_fits(seat.browser)
    seat.browser.find_element(By.ID, "reason").send_keys("The inquiry of June")
    press(seat, "Keep this dive")
    assert "The inquiry of June" in seat.browser.find_element(By.ID, "keep").text
    follow(seat, "Keeping and erasing")
    assert "The inquiry of June" in seat.browser.page_source
    assert_fits(seat.browser)
    follow(seat, "Checkpoints")
    assert_fits(seat.browser)
    assert_no_complaint(seat.browser)
    kinds = [one.kind for one in seat.site.service.read(lambda session: log.entries(session, "club:skerry"))]
    assert {"page_viewed", "log_checked", "dive_kept"} <= set(kinds)


def test_arrow_keys_step_from_change_to_change_and_a_report_is_taken_out(desk_wide: Seat) -> None:
    """As the links do, and not while somebody types; the report comes as a download and the page stays."""
    dive = finished_dive(desk_wide.site)
    desk_wide.go(f"/admin/log/dive/{dive.id}?at=1")
    body = desk_wide.browser.find_element(By.TAG_NAME, "body")
    recorded = desk_wide.browser.find_element(By.CSS_SELECTOR, "#entry-1 details")
    recorded.find_element(By.TAG_NAME, "summary").click()
    assert "event:filed" in recorded.text

    body.send_keys(Keys.ARROW_RIGHT)
    WebDriverWait(desk_wide.browser, 15).until(lambda browser: "at=1#" not in browser.current_url)
    second = desk_wide.browser.current_url
    desk_wide.browser.find_element(By.ID, "reason").send_keys("x", Keys.ARROW_LEFT)
    assert desk_wide.browser.current_url == second
    desk_wide.browser.find_element(By.TAG_NAME, "h1").click()
    desk_wide.browser.find_element(By.TAG_NAME, "body").send_keys(Keys.ARROW_LEFT)
    WebDriverWait(desk_wide.browser, 15).until(lambda browser: "at=1#" in browser.current_url)

    assert "Stood at\nFiled" in believed(desk_wide)
    desk_wide.browser.find_element(By.XPATH, BUTTON.format("Report (PDF)")).click()
    site = desk_wide.site
    WebDriverWait(desk_wide.browser, 30).until(
        lambda _: (
            "log_exported"
            in [one.kind for one in site.service.read(lambda session: log.entries(session, "club:skerry"))]
        )
    )
