"""The two phones that the browser tests use are what those tests take them for."""

from __future__ import annotations

from contextlib import suppress
from urllib.parse import quote

import pytest
from selenium.common.exceptions import WebDriverException
from selenium.webdriver import Chrome

from tests.browser.test_pages import comes_to

pytestmark = pytest.mark.browser

PAGE = "data:text/html," + quote(
    "<meta name='viewport' content='width=device-width'><title>before</title>"
    "<p>On paper</p><script>document.title = 'after'</script>"
)


def test_a_phone_has_a_phones_screen_and_runs_scripts(phone_browser: Chrome) -> None:
    """The phone is 390 points wide and runs the page's script."""
    phone_browser.get(PAGE)

    assert phone_browser.execute_script("return window.innerWidth") == 390
    assert phone_browser.title == "after"


def test_a_phone_without_javascript_runs_no_scripts(phone_browser_without_javascript: Chrome) -> None:
    """With JavaScript off the page's script never runs."""
    phone_browser_without_javascript.get(PAGE)

    assert phone_browser_without_javascript.title == "before"


def test_a_phone_reaches_no_other_machine(phone_browser: Chrome) -> None:
    """A name that is not this machine's does not resolve."""
    with suppress(WebDriverException):
        phone_browser.get("http://club.example/")

    # What the browser shows in the place of the page.
    comes_to(phone_browser, lambda: "ERR_NAME_NOT_RESOLVED" in phone_browser.page_source)
