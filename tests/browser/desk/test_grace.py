"""Grace periods as an officer changes them: the drawing moves while one types, and without JavaScript by a button."""

from __future__ import annotations

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.support.select import Select

from service.operations.admin_roles import AdminRole
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import (
    SMALLEST_TARGET,
    TOO_SMALL,
    assert_fits,
    assert_no_complaint,
    comes_to,
    push,
)

pytestmark = pytest.mark.browser

HOW_FAR_DOWN = """
return [...document.querySelectorAll("#drawn svg.ladder circle[cx]")].map((one) => Number(one.getAttribute("cy")));
"""


def type_in(browser: Chrome, **fields: str) -> None:
    """Empty these fields and type in them."""
    for name, words in fields.items():
        field = browser.find_element(By.ID, name)
        field.clear()
        field.send_keys(words)


def glance(browser: Chrome) -> str:
    """The times that matter most, as the page says them."""
    return browser.find_element(By.ID, "glance").text


@pytest.mark.parametrize("screen", ["desk_phone", "desk_wide"])
def test_an_officer_sees_what_a_change_would_do_and_saves_it(screen: str, request: pytest.FixtureRequest) -> None:
    """The drawing moves with each figure, what contradicts is said at once, and a text that was opened stays open."""
    seat: Seat = request.getfixturevalue(screen)
    seat.sign_in(AdminRole.OFFICER)
    browser = seat.browser
    seat.go("/admin/grace")
    assert_fits(browser)
    assert browser.execute_script(TOO_SMALL, SMALLEST_TARGET) == []
    before = browser.execute_script(HOW_FAR_DOWN)
    browser.find_element(By.CSS_SELECTOR, "#drawn summary").click()

    type_in(browser, distress_after="45")
    comes_to(browser, lambda: glance(browser) == "Due out 10:50. Alert 11:05, distress 11:35, hand-up 11:50.")
    moved = browser.execute_script(HOW_FAR_DOWN)
    type_in(browser, grace="50")
    comes_to(browser, lambda: "Distress must come after the alert" in browser.find_element(By.ID, "drawn").text)
    type_in(browser, grace="20")
    Select(browser.find_element(By.ID, "story")).select_by_value("answered")
    # Nothing comes of the answer.
    comes_to(browser, lambda: glance(browser) == "Due out 10:50. Alert 11:10, distress 11:35, hand-up 11:52.")

    assert moved != before
    assert browser.find_element(By.CSS_SELECTOR, "#drawn h3").text == "The same in words"
    push(browser, By.CSS_SELECTOR, ".save button")
    assert "15 minutes became 20 minutes" in browser.find_element(By.CSS_SELECTOR, ".outcome.done").text
    push(browser, By.CSS_SELECTOR, ".changes button")
    assert browser.find_element(By.ID, "grace").get_attribute("value") == "15"
    assert_fits(browser)
    assert_no_complaint(browser)


def test_without_javascript_a_button_shows_the_same(desk_plain: Seat) -> None:
    """Enter in a field shows and saves nothing; a contradiction is beside its field; what was typed stays."""
    browser = desk_plain.browser
    desk_plain.go("/admin/grace/LANTERN")

    type_in(browser, distress_after="45", time_in="09:00")
    push(browser, By.ID, "show")

    assert glance(browser) == "Due out 09:50. Alert 10:05, distress 10:35, hand-up 10:50."
    assert browser.find_element(By.ID, "distress_after").get_attribute("value") == "45"
    type_in(browser, distress_after="70")
    push(browser, By.CSS_SELECTOR, ".save button")
    fault = browser.find_element(By.ID, "hand_up_after-error").text
    assert "The hand-up must come after distress. Right would be: More than 70 minutes" in fault
    assert_fits(browser)
    assert browser.find_elements(By.CSS_SELECTOR, ".changes") == []
