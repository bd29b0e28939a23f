"""The water board in a real browser: live, wrong by itself when it hears nothing, loud where wanted, by keys alone."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from selenium.common.exceptions import NoSuchElementException, StaleElementReferenceException
from selenium.webdriver import ActionChains, Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import WebDriverWait

from service.domain.dive import Phase
from service.domain.dive.commands import Acknowledge, RaiseNow
from service.operations.admin_roles import AdminRole
from service.operations.health import beat_heart
from service.operations.recording import act
from service.web.context import EXTENSION
from service.web.desk.board_streams import STREAMS_MAX
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint
from tests.web.desk.test_board import CLEO_SAYS, dive_in

pytestmark = pytest.mark.browser

WITHIN_S = 20
LATER = "const shown = Date.now; Date.now = () => shown() + {}"


def until(browser: Chrome, what: Callable[[Chrome], object], within_s: float = WITHIN_S) -> None:
    """Wait for it. What was looked at may be put anew in the moment of looking."""
    passing = (NoSuchElementException, StaleElementReferenceException)
    WebDriverWait(browser, within_s, poll_frequency=0.1, ignored_exceptions=passing).until(what)


def says(browser: Chrome, selector: str) -> str:
    """The words of an element, also of one that is not in sight."""
    return str(
        browser.execute_script("return document.querySelector(arguments[0])?.textContent.trim() || ''", selector)
    )


def streaming(seat: Seat, path: str = "/admin/board") -> None:
    """Open the board and wait until its stream has brought a sign of life."""
    beat_heart(seat.site.service, "sweep")
    seat.go(path)
    seat.browser.execute_script("window.beats = 0; stream.addEventListener('beat', () => window.beats++)")
    until(seat.browser, lambda browser: browser.execute_script("return window.beats > 0"))


@pytest.mark.parametrize("width", ["desk_phone", "desk_wide"])
def test_an_alert_comes_by_the_stream_within_seconds(width: str, request: pytest.FixtureRequest) -> None:
    """At the top, in words and with another shape, said to a screen reader; what had the focus keeps it."""
    seat: Seat = request.getfixturevalue(width)
    calm, soon = dive_in(seat.site, minutes_ago=5), dive_in(seat.site, minutes_ago=20)
    streaming(seat)
    browser = seat.browser
    assert_fits(browser)
    link = browser.find_element(By.PARTIAL_LINK_TEXT, calm.reference)
    browser.execute_script("arguments[0].focus()", link)

    act(seat.site.service, soon.id, RaiseNow(CLEO_SAYS, note="I hear shouting"))
    until(browser, lambda one: one.find_elements(By.CSS_SELECTOR, ".trouble li.alert"))

    assert "I hear shouting" in browser.find_element(By.CSS_SELECTOR, "li.alert").text
    assert says(browser, "#news").startswith("New: Alert")
    assert calm.reference in browser.switch_to.active_element.text
    shapes = browser.execute_script(
        "return ['.alert .phase', '.in_water .phase'].map((one) => document.querySelector(one))"
        ".map((one) => getComputedStyle(one, '::before')).map((style) => style.clipPath + style.borderRadius)"
    )
    assert shapes[0] != shapes[1]
    assert_fits(browser)
    assert_no_complaint(browser)


def test_a_board_that_hears_nothing_for_thirty_seconds_looks_wrong(desk_wide: Seat) -> None:
    """A banner over its whole width, struck digits, and words for a screen reader; with news it is well again."""
    browser = desk_wide.browser
    dive_in(desk_wide.site, minutes_ago=66)
    streaming(desk_wide)
    assert banner_is_seen(browser) is False

    browser.execute_cdp_cmd("Network.enable", {})
    offline(browser, off=True)
    try:
        browser.execute_script(LATER.format(31_000))
        until(browser, banner_is_seen)
        assert says(browser, "#lost-said").startswith("NO NEWS FOR 30 SECONDS")
        assert struck(browser)
    finally:
        offline(browser, off=False)
    browser.execute_script("dispatchEvent(new Event('online')); ask()")
    until(browser, lambda one: not banner_is_seen(one))
    assert says(browser, "#lost-said") == ""
    assert not struck(browser)


def test_the_style_sheet_alone_shows_that_a_script_is_dead(desk_wide: Seat) -> None:
    """No script restarts its animation any more, so that it runs out after its thirty seconds."""
    browser = desk_wide.browser
    dive_in(desk_wide.site, minutes_ago=66)
    streaming(desk_wide)

    browser.execute_script(
        "stream.close(); for (let timer = 0; timer < 10000; timer++) { clearInterval(timer); clearTimeout(timer); }"
    )
    assert (banner_is_seen(browser), struck(browser)) == (False, False)
    waits = browser.execute_script(
        "const all = document.getAnimations(); all.forEach((one) => { one.currentTime = 30001; });"
        "return all.map((one) => one.effect.getTiming().delay)"
    )

    assert waits == [30_000, 30_000]
    assert banner_is_seen(browser)
    assert struck(browser)


def banner_is_seen(browser: Chrome) -> bool:
    """Whether the banner is on the screen, over its whole width."""
    found: bool = browser.execute_script(
        "const box = document.getElementById('lost').getBoundingClientRect();"
        "return box.bottom > 20 && box.top >= 0 && box.width >= document.documentElement.clientWidth"
    )
    return found


def struck(browser: Chrome) -> bool:
    """Whether the digits have a line through them."""
    lines = browser.execute_script(
        "return ['#age', '.left'].map((one) => getComputedStyle(document.querySelector(one)).textDecorationLine)"
    )
    assert len(set(lines)) == 1
    return bool(lines[0] == "line-through")


def offline(browser: Chrome, *, off: bool) -> None:
    """Cut the browser off, or let it back."""
    rates = {"latency": 0, "downloadThroughput": -1, "uploadThroughput": -1}
    browser.execute_cdp_cmd("Network.emulateNetworkConditions", {"offline": off, **rates})


def test_where_all_streams_are_taken_the_board_asks_instead(desk_wide: Seat) -> None:
    """It shows what is new all the same, and is not taken for lost."""
    streams = desk_wide.site.app.extensions[EXTENSION].streams
    desk_wide.go("/admin/messages")
    until(desk_wide.browser, lambda _: all(streams.take() for _ in range(STREAMS_MAX)) or drained(streams))
    dive = dive_in(desk_wide.site, minutes_ago=20)
    desk_wide.go("/admin/board")
    until(desk_wide.browser, lambda browser: browser.execute_script("return stream === null"))

    act(desk_wide.site.service, dive.id, RaiseNow(CLEO_SAYS))
    desk_wide.browser.execute_script("setInterval(ask, 300)")

    until(desk_wide.browser, lambda browser: browser.find_elements(By.CSS_SELECTOR, "li.alert"))
    assert not banner_is_seen(desk_wide.browser)


def drained(streams: object) -> bool:
    """Whether no stream is free any more: those of the page before have ended, and were taken."""
    return not streams.take()  # type: ignore[attr-defined]


def test_without_javascript_the_page_comes_anew_by_itself(desk_plain: Seat) -> None:
    """Every twenty seconds; all that is known is in it, and an officer can act."""
    dive = dive_in(desk_plain.site, minutes_ago=20)
    desk_plain.go("/admin/board")
    browser = desk_plain.browser

    act(desk_plain.site.service, dive.id, RaiseNow(CLEO_SAYS))
    until(browser, lambda one: one.find_elements(By.CSS_SELECTOR, "li.alert"), within_s=40)
    assert_fits(browser)

    desk_plain.go(f"/admin/dives/{dive.id}")
    browser.find_element(By.ID, "note").send_keys("Their van is gone", Keys.ENTER)
    until(browser, lambda one: "Their van is gone" in one.find_element(By.ID, "happened").text)
    assert "Noted." in browser.find_element(By.CSS_SELECTOR, ".outcome").text
    assert_fits(browser)


def test_sound_is_on_when_its_button_was_pressed_on_this_page(desk_wide: Seat) -> None:
    """A tone for an alarm, again until it is answered or made quiet here; after a reload the page says it has none."""
    browser = desk_wide.browser
    first = dive_in(desk_wide.site, minutes_ago=20)
    streaming(desk_wide)
    browser.execute_script("localStorage.clear(); sessionStorage.clear()")
    assert says(browser, "#sound-said") == ""

    browser.find_element(By.ID, "sound").click()
    until(browser, lambda one: "Sound is on" in says(one, "#sound-said"))
    act(desk_wide.site.service, first.id, RaiseNow(CLEO_SAYS))
    until(browser, lambda one: tones(one) == 1)
    browser.execute_script(LATER.format(31_000))
    until(browser, lambda one: tones(one) == 2)  # nobody has answered

    act(desk_wide.site.service, first.id, Acknowledge(CLEO_SAYS))
    until(browser, lambda one: not one.find_elements(By.CSS_SELECTOR, "[data-cry]"))
    second = dive_in(desk_wide.site, minutes_ago=10)
    act(desk_wide.site.service, second.id, RaiseNow(CLEO_SAYS))
    until(browser, lambda one: tones(one) == 3)
    browser.find_element(By.ID, "hush").click()
    browser.execute_script(LATER.replace("shown", "again").format(93_000))
    browser.execute_script("cryOut()")
    assert tones(browser) == 3

    desk_wide.go("/admin/board")
    assert "NO SOUND YET" in says(browser, "#sound-said")
    assert says(browser, "#sound") == "Sound on"
    browser.execute_script("localStorage.clear(); sessionStorage.clear()")


def tones(browser: Chrome) -> int:
    """How often the page has sounded."""
    return int(browser.execute_script("return document.getElementById('board-page').dataset.cried || 0"))


def test_keys_alone_can_do_an_alarm(desk_wide: Seat) -> None:
    """From the board to the dive, answer it, close it: Tab, Enter and what is typed, and no mouse."""
    dive = dive_in(desk_wide.site, minutes_ago=66)
    desk_wide.sign_in(AdminRole.OFFICER)
    browser = desk_wide.browser
    streaming(desk_wide)

    tab_to(browser, lambda one: one.get_attribute("href") == f"{desk_wide.url}/admin/dives/{dive.id}")
    press(browser, Keys.ENTER)
    until(browser, lambda one: one.find_elements(By.ID, "do-answer"))
    tab_to(browser, lambda one: one.text.startswith("I have it"))
    press(browser, Keys.ENTER)
    until(browser, lambda one: one.find_elements(By.CSS_SELECTOR, ".outcome.done"))
    tab_to(browser, lambda one: one.get_attribute("id") == "count")
    press(browser, "2", Keys.TAB, "Seen at the slip, counted by me", Keys.TAB, Keys.ENTER)
    until(browser, lambda _: desk_wide.site.now_of(dive).phase is Phase.CLOSED)

    until(browser, lambda one: one.find_elements(By.CSS_SELECTOR, "li.closed"))
    assert "The clock is stopped." in browser.find_element(By.CSS_SELECTOR, ".outcome").text
    assert desk_wide.site.now_of(dive).closed_by.name == "Ove Strand"  # type: ignore[union-attr]


def press(browser: Chrome, *keys: str) -> None:
    """Keys to whatever has the focus."""
    for key in keys:
        ActionChains(browser).send_keys(key).perform()


def tab_to(browser: Chrome, found: Callable[..., bool]) -> None:
    """Tab until it has the focus, and see that the focus shows."""
    for _ in range(60):
        press(browser, Keys.TAB)
        one = browser.switch_to.active_element
        if found(one):
            assert browser.execute_script("return getComputedStyle(arguments[0]).outlineStyle", one) != "none"
            return
    raise AssertionError("it is not reached by Tab")


def test_an_officer_acts_from_a_phone_and_an_old_page_is_asked_again(desk_phone: Seat) -> None:
    """What happened meanwhile is shown, what was typed stays, and the page says by itself that it has changed."""
    site, browser = desk_phone.site, desk_phone.browser
    dive = dive_in(site, minutes_ago=20)
    desk_phone.go(f"/admin/dives/{dive.id}")
    assert_fits(browser)

    act(site.service, dive.id, RaiseNow(CLEO_SAYS, note="I hear shouting"))
    browser.execute_script("ask()")
    until(browser, lambda one: "Alert" in one.find_element(By.ID, "now").text)
    browser.find_element(By.ID, "count").send_keys("2")
    browser.find_element(By.ID, "reason").send_keys("Seen at the slip")
    close = browser.find_element(By.CSS_SELECTOR, "#do-close button")
    browser.execute_script("arguments[0].scrollIntoView()", close)
    close.click()
    until(browser, lambda one: one.find_elements(By.ID, "moved"))

    assert "I hear shouting" in browser.find_element(By.ID, "moved").text
    assert browser.find_element(By.ID, "reason").get_attribute("value") == "Seen at the slip"
    assert_fits(browser)
    assert site.now_of(dive).phase is Phase.ALERT
    browser.execute_script("document.querySelector('#do-close button').click()")
    until(browser, lambda _: site.now_of(dive).phase is Phase.CLOSED)


def test_the_board_is_read_across_a_room(desk_wide: Seat) -> None:
    """On a wall of 1920 by 1080 points who, where and since when stand in large type, and nothing else between."""
    for ago in (20, 30, 53, 66, 85):
        dive_in(desk_wide.site, minutes_ago=ago)
    browser = desk_wide.browser
    size = browser.get_window_size()
    browser.set_window_size(1920, 1080)
    try:
        streaming(desk_wide, "/admin/board?far=1")
        assert_fits(browser)
        seen = browser.execute_script(
            "return ['.left', '.where', '.who'].map((one) => document.querySelector(one))"
            ".map((one) => parseFloat(getComputedStyle(one).fontSize))"
        )
        assert min(seen) >= 30
        assert not browser.find_element(By.CSS_SELECTOR, ".dives dl").is_displayed()
        assert "in since 08:35" in browser.find_element(By.CSS_SELECTOR, "li.distress").text
        assert browser.find_element(By.LINK_TEXT, "Show everything").is_displayed()
    finally:
        browser.set_window_size(size["width"], size["height"])
