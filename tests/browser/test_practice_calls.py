"""A practice phone that rings, in a real browser of a telephone's size, with scripts and without."""

from __future__ import annotations

from dataclasses import replace

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from service.domain.people import Channel
from service.gateways.form_post import FormPostGateway
from service.operations.gateway import Accepted, Outgoing
from service.web.context import EXTENSION
from tests.browser.test_pages import comes_to
from tests.web.installation import CLEO, Site

pytestmark = pytest.mark.browser

RINGING = (By.ID, f"ringing-{CLEO.lstrip('+')}")
CONVERSATION = (By.ID, f"conversation-{CLEO.lstrip('+')}")
SPOKEN = "This is Linetender. Press 1 to say that you have it."
OUTSIDE = """
const window_wide = window.innerWidth;
return [...document.querySelectorAll(".ringing *")].filter((one) => one.checkVisibility()
    && !one.closest(".visually-hidden") && one.getBoundingClientRect().right > window_wide).length;
"""


def ring(live: Site) -> None:
    """Have Cleo's phone called, as the courier does."""
    config = replace(live.app.extensions[EXTENSION].gateway("practice"), calls=True)
    gateway = FormPostGateway(config, public_url=live.service.public_url)
    assert isinstance(gateway.send(Outgoing(CLEO, SPOKEN, "m1", channel=Channel.CALL)), Accepted)
    gateway.close()


def press(browser: Chrome, what: str) -> None:
    """Push a button of the phone that rings, by the keyboard."""
    browser.find_element(*RINGING).find_element(By.CSS_SELECTOR, f"button[value='{what}']").send_keys(Keys.ENTER)


def test_a_call_appears_by_itself_and_is_answered_with_a_button(live: Site, phone_browser: Chrome) -> None:
    """Within seconds it rings on the page; key 1 ends it, and what was said back is in the conversation."""
    phone_browser.get(f"{live.service.public_url}/practice")

    ring(live)

    comes_to(phone_browser, lambda: SPOKEN in phone_browser.find_element(*RINGING).text)
    assert phone_browser.execute_script(OUTSIDE) == 0
    press(phone_browser, "key")
    comes_to(phone_browser, lambda: "key 1 was pressed" in phone_browser.find_element(*CONVERSATION).text)
    comes_to(phone_browser, lambda: phone_browser.find_element(*RINGING).text == "")
    assert "said back" in phone_browser.find_element(*CONVERSATION).text
    assert [entry["message"] for entry in phone_browser.get_log("browser")] == []


@pytest.mark.parametrize(("what", "words"), [("ring", "nobody answered"), ("machine", "a machine answered")])
def test_a_call_that_is_not_answered_works_without_javascript(
    live: Site, phone_browser_without_javascript: Chrome, what: str, words: str
) -> None:
    """Plain forms, and the page that follows tells how it ended."""
    browser = phone_browser_without_javascript
    ring(live)
    browser.get(f"{live.service.public_url}/practice")
    assert SPOKEN in browser.find_element(*RINGING).text

    press(browser, what)

    comes_to(browser, lambda: words in browser.find_element(*CONVERSATION).text)
    assert browser.find_element(*RINGING).text == ""
