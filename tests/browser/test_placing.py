"""Places on real pages: the phone's own position, a typed one, and an alarm page that watches itself."""

from __future__ import annotations

from typing import Any

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from service.domain.dive import Dive
from service.domain.dive.commands import Acknowledge, Start
from service.domain.people import Actor, Role, Via
from service.domain.place.fix import Source
from service.operations.recording import act
from service.store.engine import open_engine
from tests.browser.test_pages import address, assert_fits, assert_no_complaint, comes_to, overdue, press, text
from tests.web.installation import ANNA, CLEO, NOON, RECEIVING, Site, StillClock
from tests.web.live import serving

pytestmark = pytest.mark.browser

BY_TEXT = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN")
CLEO_TEXTS = Actor(Role.CONTACT, "Cleo Marsh", Via.TEXT, key="contact-0", phone=CLEO, words="OK")
HERE = {"latitude": 47.1231, "longitude": -20.544, "accuracy": 12}
SMALLEST_TEXT_PX = 16

# Counts how often a page asks the phone where it is, from before its own scripts run.
COUNT_ASKING = """
window.asked = 0;
for (const name of ["getCurrentPosition", "watchPosition"]) {
  const real = Geolocation.prototype[name];
  Geolocation.prototype[name] = function (...given) { window.asked += 1; return real.apply(this, given); };
}
"""
TIME_PASSES = "const real = Date.now; Date.now = () => real() + arguments[0] * 1000;"
SMALL_TEXT = """
const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
const small = [];
for (let one = texts.nextNode(); one; one = texts.nextNode()) {
  const within = one.parentElement;
  if (!one.data.trim() || within.closest("svg, script, noscript") || !within.checkVisibility()) continue;
  if (parseFloat(getComputedStyle(within).fontSize) < arguments[0]) small.push(one.data);
}
return small;
"""


def in_water(live: Site) -> Dive:
    """A dive that has begun."""
    dive = live.filed()
    act(live.service, dive.id, Start(BY_TEXT))
    return dive


def narrow(browser: Chrome) -> None:
    """The screen of a small phone."""
    screen = {"width": 360, "height": 740, "deviceScaleFactor": 2, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)


def permit(browser: Chrome, live: Site, setting: str) -> None:
    """Let the pages ask the phone where it is, or not."""
    asked = {"permission": {"name": "geolocation"}, "setting": setting, "origin": live.service.public_url}
    browser.execute_cdp_cmd("Browser.setPermission", asked)


def offline(browser: Chrome, *, away: bool) -> None:
    """Take the network away, or give it back."""
    conditions: dict[str, Any] = {"offline": away, "latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    browser.execute_cdp_cmd("Network.enable", {})
    browser.execute_cdp_cmd("Network.emulateNetworkConditions", conditions)


def said(browser: Chrome) -> str:
    """What stands under the button."""
    return browser.find_element(By.ID, "located").text


def send_position(browser: Chrome) -> None:
    """Press the button, by keyboard."""
    browser.find_element(By.ID, "locate").send_keys(Keys.ENTER)


def test_a_press_sends_where_the_phone_is(live: Site, phone_browser: Chrome) -> None:
    """Never asked before it; then kept with its accuracy, by our clock, whatever the phone's own clock shows."""
    dive = in_water(live)
    permit(phone_browser, live, "granted")
    phone_browser.execute_cdp_cmd("Emulation.setGeolocationOverride", HERE)
    phone_browser.execute_cdp_cmd("Page.addScriptToEvaluateOnNewDocument", {"source": COUNT_ASKING})
    phone_browser.get(address(live, live.dive_path(dive)))
    assert phone_browser.execute_script("return window.asked") == 0

    send_position(phone_browser)
    comes_to(phone_browser, lambda: "Position noted" in said(phone_browser))

    (fix,) = live.now_of(dive).fixes
    assert phone_browser.execute_script("return window.asked") == 1
    assert (fix.position.lat, fix.position.lon, fix.accuracy_m) == (47.1231, -20.544, 12)
    assert (fix.source, fix.by, fix.doubt) == (Source.BROWSER, "Anna Holt", None)
    assert abs((fix.at - NOON).total_seconds()) < 60
    assert "47.12310 N, 20.54400 W" in said(phone_browser)
    assert "from the phone of Anna Holt" in phone_browser.find_element(By.ID, "known").text
    assert_no_complaint(phone_browser)


def test_a_phone_that_may_not_say_is_told_what_to_do_instead(live: Site, phone_browser: Chrome) -> None:
    """The field and the text stand in for it, and the button can be pressed again."""
    dive = in_water(live)
    permit(phone_browser, live, "denied")
    phone_browser.get(address(live, live.dive_path(dive)))

    send_position(phone_browser)
    comes_to(phone_browser, lambda: "may not ask for it" in said(phone_browser))

    assert f"text AT and the position to {RECEIVING}" in said(phone_browser)
    assert phone_browser.find_element(By.ID, "locate").is_enabled()
    assert live.now_of(dive).fixes == ()


def test_a_phone_that_cannot_tell_is_told_what_to_do_instead(live: Site, phone_browser: Chrome) -> None:
    """Under a cliff there may be no sky."""
    dive = in_water(live)
    permit(phone_browser, live, "granted")
    phone_browser.execute_cdp_cmd("Emulation.setGeolocationOverride", {})
    phone_browser.get(address(live, live.dive_path(dive)))

    send_position(phone_browser)
    comes_to(phone_browser, lambda: "Go under open sky" in said(phone_browser))

    assert "Type the position below" in said(phone_browser)
    assert live.now_of(dive).fixes == ()


def test_a_position_that_could_not_be_sent_is_kept_and_sent_later(live: Site, phone_browser: Chrome) -> None:
    """It is said, with the text that would do the same; once there is a network it goes by itself."""
    dive = in_water(live)
    permit(phone_browser, live, "granted")
    phone_browser.execute_cdp_cmd("Emulation.setGeolocationOverride", HERE)
    phone_browser.get(address(live, live.dive_path(dive)))
    offline(phone_browser, away=True)

    send_position(phone_browser)
    comes_to(phone_browser, lambda: "Not sent yet" in said(phone_browser))

    link = phone_browser.find_element(By.CSS_SELECTOR, "#located a").get_attribute("href")
    assert link == f"sms:{RECEIVING}?body=AT%2047.12310%2C-20.54400"
    assert live.now_of(dive).fixes == ()
    offline(phone_browser, away=False)
    comes_to(phone_browser, lambda: "Position noted" in said(phone_browser))
    assert [fix.accuracy_m for fix in live.now_of(dive).fixes] == [12]


def test_a_kept_position_outlives_the_page(live: Site, phone_browser: Chrome) -> None:
    """Opened again in the same tab, the page sends what it had kept, of the time when it was found."""
    dive = in_water(live)
    path = live.dive_path(dive)
    permit(phone_browser, live, "granted")
    phone_browser.execute_cdp_cmd("Emulation.setGeolocationOverride", HERE)
    phone_browser.get(address(live, path))
    offline(phone_browser, away=True)
    send_position(phone_browser)
    comes_to(phone_browser, lambda: "Not sent yet" in said(phone_browser))
    kept = phone_browser.execute_script("return Object.entries(sessionStorage)")
    # A page that was left may still send; without what it holds in the tab only the next page can.
    phone_browser.execute_script("waiting = null; clearTimeout(again); sessionStorage.clear()")
    offline(phone_browser, away=False)
    live.clock.forward(20)
    phone_browser.get(address(live, "/"))
    phone_browser.execute_script("for (const [name, value] of arguments[0]) sessionStorage.setItem(name, value)", kept)
    assert live.now_of(dive).fixes == ()

    phone_browser.get(address(live, path))
    comes_to(phone_browser, lambda: "Position noted" in said(phone_browser))

    (fix,) = live.now_of(dive).fixes
    assert abs((fix.at - NOON).total_seconds()) < 60
    assert phone_browser.execute_script("return sessionStorage.length") == 0


def test_a_typed_position_needs_no_javascript(live: Site, phone_browser_without_javascript: Chrome) -> None:
    """First one that cannot be, which stays in its field with what is wrong, then a good one."""
    browser = phone_browser_without_javascript
    dive = in_water(live)
    browser.get(address(live, live.dive_path(dive)))
    assert not browser.find_element(By.ID, "locate").is_displayed()
    assert "Without scripts this page cannot ask the phone" in text(browser)

    browser.find_element(By.NAME, "position").send_keys("91.1234, -5.2")
    press(browser, "position")
    assert "Latitude 91.1234 is impossible" in text(browser)
    assert browser.find_element(By.NAME, "position").get_attribute("value") == "91.1234, -5.2"
    assert_fits(browser)

    browser.find_element(By.NAME, "position").clear()
    browser.find_element(By.NAME, "position").send_keys("47 07.386 N 020 32.640 W")
    press(browser, "position")
    assert "Position noted: 47.12310 N, 20.54400 W" in text(browser)
    assert [fix.source for fix in live.now_of(dive).fixes] == [Source.TYPED]
    assert_no_complaint(browser)


def test_a_contact_tells_what_they_saw_without_javascript(live: Site, phone_browser_without_javascript: Chrome) -> None:
    """At the site, where they were last seen, a link for rescue: by one form, with the reference typed once."""
    browser = phone_browser_without_javascript
    dive = overdue(live)
    browser.get(address(live, live.alarm_path(dive)))
    browser.find_element(By.NAME, "reference").send_keys(dive.reference)
    press(browser, "on_scene")
    assert "Noted that you are at the site." in text(browser)

    browser.find_element(By.CSS_SELECTOR, "#seen summary").send_keys(Keys.ENTER)
    browser.find_element(By.NAME, "seen_at").send_keys("47.1231, -20.544")
    press(browser, "seen")
    assert "as seen from the shore by Cleo Marsh" in text(browser).replace("As seen", "as seen")
    press(browser, "pack_link")
    assert f"{live.service.public_url}/handover/" in browser.find_element(By.ID, "rescue-link").text
    assert_fits(browser)
    assert_no_complaint(browser)


def test_what_happens_comes_to_an_open_alarm_page(live: Site, phone_browser: Chrome) -> None:
    """By itself, and it is said; what was typed, what was opened, and the page around it stay."""
    dive = overdue(live)
    phone_browser.get(address(live, live.alarm_path(dive, "contact-1")))
    phone_browser.find_element(By.CSS_SELECTOR, "#water summary").send_keys(Keys.ENTER)
    phone_browser.find_element(By.NAME, "current_kn").send_keys("0.8")
    assert phone_browser.find_element(By.TAG_NAME, "h1").text == "Call Anna Holt now"

    act(live.service, dive.id, Acknowledge(CLEO_TEXTS))
    field = phone_browser.find_element(By.NAME, "current_kn")
    phone_browser.execute_script("arguments[0].blur()", field)

    comes_to(phone_browser, lambda: phone_browser.find_element(By.TAG_NAME, "h1").text == "Call Cleo Marsh now")
    comes_to(phone_browser, lambda: "Call Cleo Marsh now." in phone_browser.find_element(By.ID, "changed").text)
    assert phone_browser.find_element(By.NAME, "current_kn").get_attribute("value") == "0.8"
    assert phone_browser.find_element(By.NAME, "current_kn").is_displayed()
    assert_no_complaint(phone_browser)


def test_nothing_moves_under_somebody_who_is_typing(live: Site, phone_browser: Chrome) -> None:
    """The page says that it is old and shows no newer time beside that, and waits; once the field is left it comes."""
    dive = overdue(live)
    phone_browser.get(address(live, live.alarm_path(dive, "contact-1")))
    field = phone_browser.find_element(By.NAME, "reference")
    field.send_keys("7")
    act(live.service, dive.id, Acknowledge(CLEO_TEXTS))
    live.clock.forward(1)

    comes_to(phone_browser, lambda: "Something has happened since" in phone_browser.find_element(By.ID, "changed").text)
    assert phone_browser.find_element(By.ID, "looked-at").text == "11:10:00"
    assert phone_browser.find_element(By.TAG_NAME, "h1").text == "Call Anna Holt now"
    assert phone_browser.switch_to.active_element == field

    phone_browser.execute_script("arguments[0].blur()", field)
    comes_to(phone_browser, lambda: phone_browser.find_element(By.TAG_NAME, "h1").text == "Call Cleo Marsh now")
    comes_to(phone_browser, lambda: "Call Cleo Marsh now." in phone_browser.find_element(By.ID, "changed").text)
    assert phone_browser.find_element(By.ID, "looked-at").text == "11:11:00"
    assert phone_browser.find_element(By.NAME, "reference").get_attribute("value") == "7"


def test_a_page_that_cannot_reach_us_says_so(live: Site, phone_browser: Chrome) -> None:
    """Not for a moment's gap, but after half a minute; it takes it back as soon as it was answered."""
    dive = overdue(live)
    phone_browser.get(address(live, live.alarm_path(dive)))
    stale = phone_browser.find_element(By.ID, "stale")
    assert not stale.is_displayed()

    offline(phone_browser, away=True)
    phone_browser.execute_script(TIME_PASSES, 31)
    comes_to(phone_browser, stale.is_displayed)
    assert "No connection since 11:10:00. What you see may be old." in stale.text
    assert "act on your text, and call" in stale.text

    offline(phone_browser, away=False)
    comes_to(phone_browser, lambda: not stale.is_displayed())


def test_a_page_whose_server_is_gone_says_so(migrated_sqlite_url: str, phone_browser: Chrome) -> None:
    """A machine that died looks the same as a network that is away."""
    engine = open_engine(migrated_sqlite_url)
    with serving(engine, StillClock()) as site:
        phone_browser.get(address(site, site.alarm_path(overdue(site))))
    engine.dispose()

    phone_browser.execute_script(TIME_PASSES, 31)
    stale = phone_browser.find_element(By.ID, "stale")
    comes_to(phone_browser, stale.is_displayed)
    assert "No connection since 11:10:00" in stale.text


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_pages_are_legible_on_a_small_phone(live: Site, phone_browser: Chrome, scheme: str) -> None:
    """360 points wide, every text of at least 16, by day and by night, with every fold open."""
    dive = overdue(live)
    narrow(phone_browser)
    media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    phone_browser.execute_cdp_cmd("Emulation.setEmulatedMedia", media)

    for path in ("/plan", live.dive_path(dive), live.alarm_path(dive)):
        phone_browser.get(address(live, path))
        phone_browser.execute_script("document.querySelectorAll('details').forEach((one) => (one.open = true))")
        assert_fits(phone_browser)
        assert phone_browser.execute_script(SMALL_TEXT, SMALLEST_TEXT_PX) == [], path


def test_the_call_is_the_first_thing_that_the_keyboard_comes_to(live: Site, phone_browser: Chrome) -> None:
    """After the way round the heading and the link to look again."""
    dive = overdue(live)
    phone_browser.get(address(live, live.alarm_path(dive)))
    reached = []
    for _ in range(6):
        phone_browser.switch_to.active_element.send_keys(Keys.TAB)
        reached.append(phone_browser.switch_to.active_element.text.replace("\n", " "))

    assert reached[-2:] == ["Call Anna Holt +44 7700 900101", "Call Bram Vik +44 7700 900102"]
