"""The two phones that the browser tests use are what those tests take them for."""

from __future__ import annotations

import json
from contextlib import suppress
from unittest import mock
from urllib.parse import quote

import pytest
from selenium.common.exceptions import StaleElementReferenceException, WebDriverException
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

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


@pytest.mark.parametrize(
    ("said", "is_stale"),
    [
        ("Node with given id does not belong to the document", True),
        ("No node with given id found", True),
        ("Internal error", False),
    ],
)
def test_an_element_that_is_gone_is_stale_by_whatever_name(phone_browser: Chrome, said: str, *, is_stale: bool) -> None:
    """The driver's word for it changes with the moment in which the page goes; a wait goes on after all of them."""
    phone_browser.get(PAGE)
    element = phone_browser.find_element(By.TAG_NAME, "p")
    words = {"value": {"error": "unknown error", "message": f"unhandled inspector error: {said}", "stacktrace": ""}}
    answer = {"status": 500, "value": json.dumps(words)}

    with (
        mock.patch.object(phone_browser.command_executor, "execute", return_value=answer),
        pytest.raises(WebDriverException, match=said) as told,
    ):
        _ = element.text

    assert isinstance(told.value, StaleElementReferenceException) is is_stale
