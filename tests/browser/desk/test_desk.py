"""The desk as a whole: its navigation on a phone and on a laptop."""

from __future__ import annotations

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from service.web.desk.places import PLACES
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint

pytestmark = pytest.mark.browser


@pytest.fixture(params=["desk_phone", "desk_wide", "desk_plain"])
def seat(request: pytest.FixtureRequest) -> Seat:
    """The owner, on each kind of screen."""
    found: Seat = request.getfixturevalue(request.param)
    return found


def unfold(seat: Seat) -> None:
    """On a phone the places are folded."""
    summary = seat.browser.find_element(By.CSS_SELECTOR, ".desk-menu summary")
    if summary.is_displayed() and not seat.browser.find_elements(By.CSS_SELECTOR, ".desk-menu[open]"):
        summary.send_keys(Keys.ENTER)


def test_every_place_of_the_desk_is_reached_by_its_name(seat: Seat) -> None:
    """Each fits the screen without scrolling sideways, says where one is, and makes the browser complain of nothing."""
    for place in PLACES:
        # Followed by its address: to press a link, the driver of a phone without JavaScript takes half a minute.
        unfold(seat)
        link = seat.browser.find_element(By.XPATH, f"//nav//a[normalize-space()='{place.words}']")
        assert seat.browser.execute_script("return arguments[0].checkVisibility()", link)
        address = link.get_attribute("href")
        assert address is not None
        seat.browser.get(address)

        current = seat.browser.find_element(By.CSS_SELECTOR, "nav [aria-current=page]")
        assert current.get_attribute("textContent") == place.words
        assert_fits(seat.browser)
        assert_no_complaint(seat.browser)
