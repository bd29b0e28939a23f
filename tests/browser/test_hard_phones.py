"""Pages on telephones that are hard on them: text twice as large, browsers of some years ago, a network that hangs."""

from __future__ import annotations

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from service.domain.dive.commands import Acknowledge, Tick
from service.domain.wording import LinkKind
from service.operations.recording import act
from tests.browser.test_pages import address, assert_fits, assert_no_complaint, comes_to, overdue
from tests.browser.test_placing import CLEO_TEXTS, HERE, in_water, permit, said, send_position
from tests.web.installation import Site

pytestmark = pytest.mark.browser

# A screen of 360 points that is zoomed to 200 % has room for 180 (WCAG 2.2 success criteria 1.4.4 and 1.4.10).
HALF_A_SCREEN = {"width": 180, "height": 370, "deviceScaleFactor": 4, "mobile": True}

# Words of what has to be read at a glance that do not stand on one line.
BROKEN_WORDS = """
const broken = [];
for (const one of document.querySelectorAll("h1, .button.now, .aloud li:first-child, .sos")) {
  const texts = document.createTreeWalker(one, NodeFilter.SHOW_TEXT);
  for (let text = texts.nextNode(); text; text = texts.nextNode()) {
    for (const word of text.data.matchAll(/\\S+/g)) {
      const range = document.createRange();
      range.setStart(text, word.index);
      range.setEnd(text, word.index + word[0].length);
      if (new Set([...range.getClientRects()].map((rect) => rect.top)).size > 1) broken.push(word[0]);
    }
  }
}
return broken;
"""

NO_TIME_LIMITS = "delete AbortSignal.timeout;"
# Nothing is answered any more, as over a link that is half open, and a second passes in twenty milliseconds.
HANGING = """
const real = setTimeout;
window.setTimeout = (what, ms, ...more) => real(what, ms / 50, ...more);
window.fetch = (_, how) => new Promise((_, no) => how?.signal?.addEventListener("abort", () => no(new Error("late"))));
"""


def before_each_page(browser: Chrome, source: str) -> None:
    """Run a script before those of every page."""
    browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": source})


def test_text_twice_as_large_fits_and_what_is_urgent_breaks_between_words(live: Site, phone_browser: Chrome) -> None:
    """The button that calls rescue, and what is read aloud, when rescue is to be called."""
    dive = overdue(live)
    live.clock.forward(30)
    act(live.service, dive.id, Tick())
    phone_browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", HALF_A_SCREEN)

    kinds = [("contact-0", LinkKind.ALARM), ("contact-0", LinkKind.HANDOVER), ("contact-0", LinkKind.CONTACT)]
    paths = [live.path(dive, *one) for one in kinds]
    for path in (*paths, live.dive_path(dive), f"{live.dive_path(dive)}/sos", "/", "/plan", "/join", "/none"):
        phone_browser.get(address(live, path))
        assert phone_browser.execute_script("return document.documentElement.clientWidth") == HALF_A_SCREEN["width"]
        assert_fits(phone_browser)
        assert phone_browser.execute_script(BROKEN_WORDS) == [], path


def test_a_browser_of_some_years_ago_sends_its_position(live: Site, phone_browser: Chrome) -> None:
    """One that knows no time limits of requests."""
    dive = in_water(live)
    permit(phone_browser, live, "granted")
    phone_browser.execute_cdp_cmd("Emulation.setGeolocationOverride", HERE)
    before_each_page(phone_browser, NO_TIME_LIMITS)
    phone_browser.get(address(live, live.dive_path(dive)))

    send_position(phone_browser)

    comes_to(phone_browser, lambda: "Position noted" in said(phone_browser))
    assert len(live.now_of(dive).fixes) == 1
    assert_no_complaint(phone_browser)


def test_a_browser_of_some_years_ago_shows_what_happens(live: Site, phone_browser: Chrome) -> None:
    """The alarm page there renews itself too, and does not call its connection lost."""
    dive = overdue(live)
    before_each_page(phone_browser, NO_TIME_LIMITS)
    phone_browser.get(address(live, live.alarm_path(dive, "contact-1")))

    act(live.service, dive.id, Acknowledge(CLEO_TEXTS))

    comes_to(phone_browser, lambda: phone_browser.find_element(By.TAG_NAME, "h1").text == "Call Cleo Marsh now")
    assert_no_complaint(phone_browser)


def test_a_divers_page_over_a_link_that_hangs_does_not_look_calm(live: Site, phone_browser: Chrome) -> None:
    """A look that is not answered ends, and the page says that it may be old."""
    dive = in_water(live)
    before_each_page(phone_browser, HANGING)

    phone_browser.get(address(live, live.dive_path(dive)))

    comes_to(phone_browser, lambda: "may be old" in phone_browser.find_element(By.ID, "connection").text)
