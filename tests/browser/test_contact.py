"""The page of a contact who was named, in a real browser of a small telephone: by day, at night, without JavaScript."""

from __future__ import annotations

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from service.domain.standing import Standing
from service.domain.wording import LinkKind
from service.operations.proof_of_reach import standings
from tests.browser.test_pages import address, assert_fits, assert_no_complaint, press, text
from tests.browser.test_placing import SMALL_TEXT, SMALLEST_TEXT_PX, narrow
from tests.web.installation import Site

pytestmark = pytest.mark.browser


def test_a_contact_decides_without_javascript(live: Site, phone_browser_without_javascript: Chrome) -> None:
    """A wrong reference is told beside its field and decides nothing; the right one decides, also twice."""
    browser = phone_browser_without_javascript
    narrow(browser)
    dive = live.filed()
    browser.get(address(live, live.path(dive, "contact-0", LinkKind.CONTACT)))
    browser.find_element(By.ID, "reference").send_keys("9X9")
    press(browser, "decline")
    assert "That is not the reference in your text, so nothing changed" in text(browser)
    assert_fits(browser)
    assert standings(live.service, live.now_of(dive))[0].standing is Standing.AGREED

    field = browser.find_element(By.ID, "reference")
    field.clear()
    field.send_keys(dive.reference.lower())
    press(browser, "decline")
    assert "Noted that you will be no shore contact" in text(browser)
    assert standings(live.service, live.now_of(dive))[0].standing is Standing.DECLINED
    live.clock.forward(1)
    press(browser, "agree")

    assert "Noted that you will be a shore contact" in text(browser)
    assert standings(live.service, live.now_of(dive))[0].standing is Standing.AGREED
    assert_no_complaint(browser)


@pytest.mark.parametrize(("scheme", "ground"), [("light", "rgb(233, 231, 216)"), ("dark", "rgb(17, 25, 24)")])
def test_the_page_is_legible_by_day_and_at_night(live: Site, phone_browser: Chrome, scheme: str, ground: str) -> None:
    """360 points wide, no text below 16, large targets, and dark only when the phone asks for it."""
    dive = live.filed()
    narrow(phone_browser)
    media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    phone_browser.execute_cdp_cmd("Emulation.setEmulatedMedia", media)

    phone_browser.get(address(live, live.path(dive, "contact-0", LinkKind.CONTACT)))

    assert_fits(phone_browser)
    assert phone_browser.execute_script(SMALL_TEXT, SMALLEST_TEXT_PX) == []
    assert phone_browser.execute_script("return getComputedStyle(document.body).backgroundColor") == ground
