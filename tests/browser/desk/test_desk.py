"""The desk as a whole: its navigation on a phone and on a laptop."""

from __future__ import annotations

import pytest
from selenium.webdriver.common.by import By

from service.web.desk.places import PLACES
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint

pytestmark = pytest.mark.browser


@pytest.fixture(params=["desk_phone", "desk_wide", "desk_plain"])
def seat(request: pytest.FixtureRequest) -> Seat:
    """The owner, on each kind of screen."""
    found: Seat = request.getfixturevalue(request.param)
    return found


def test_every_place_of_the_desk_is_reached_by_its_name(seat: Seat) -> None:
    """Each fits the screen without scrolling sideways, says where one is, and makes the browser complain of nothing."""
    for place in PLACES:
        # Followed by its address: to press a link, the driver of a phone without JavaScript takes half a minute.
        address = seat.browser.find_element(By.LINK_TEXT, place.words).get_attribute("href")
        assert address is not None
        seat.browser.get(address)

        assert seat.browser.find_element(By.CSS_SELECTOR, "[aria-current=page]").text == place.words
        assert_fits(seat.browser)
        assert_no_complaint(seat.browser)
