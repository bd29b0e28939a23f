"""Figures on a phone and on a laptop: a period is chosen, charts and tables fit."""

from __future__ import annotations

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.select import Select

from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import SMALLEST_TARGET, TOO_SMALL, assert_fits, assert_no_complaint, push
from tests.web.desk.test_figures import false_alarm

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("screen", ["desk_plain", "desk_wide"])
def test_an_officer_chooses_a_period_and_reads_it(screen: str, request: pytest.FixtureRequest) -> None:
    """With and without JavaScript; nothing scrolls sideways but a wide table in its own frame."""
    seat: Seat = request.getfixturevalue(screen)
    false_alarm(seat.site)
    seat.go("/admin/figures")

    Select(seat.browser.find_element(By.ID, "range")).select_by_value("12m")
    push(seat.browser, By.CSS_SELECTOR, ".choose button")

    assert "1 alarm, 1 of them false" in seat.browser.find_element(By.CSS_SELECTOR, ".lead").text
    assert len(seat.browser.find_elements(By.CSS_SELECTOR, "svg.chart")) >= 4
    for closed in seat.browser.find_elements(By.CSS_SELECTOR, "main details:not([open]) summary"):
        closed.send_keys(" ")
    assert_fits(seat.browser)
    assert_no_complaint(seat.browser)
    if screen == "desk_wide":
        assert seat.browser.execute_script(TOO_SMALL, SMALLEST_TARGET) == []
