"""The pages in a real browser of a telephone's size: form, diver's page, alarm page and practice phones."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from selenium.common.exceptions import (
    JavascriptException,
    NoSuchElementException,
    StaleElementReferenceException,
)
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.wait import WebDriverWait

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import Start, Tick
from service.domain.people import Actor, Role, Via
from service.gateways.form_post import FormPostGateway
from service.operations.gateway import Accepted, Outgoing
from service.operations.pages import list_dives
from service.operations.recording import act
from service.web.context import EXTENSION
from tests.web.installation import ANNA, CLEO, PLAN_FORM, Site

pytestmark = pytest.mark.browser

SMALLEST_TARGET = 44  # CSS pixels, WCAG 2.2 success criterion 2.5.5
COMES_WITHIN_S = 30.0
POLL_S = 0.05
# What a driver says of a page that goes while it looks.
IN_BETWEEN = (NoSuchElementException, StaleElementReferenceException, JavascriptException)

# What is seen and is pressed, and is lower than that many pixels; the page cannot change while it is measured.
TOO_SMALL = """
return [...document.querySelectorAll("button, .button, input, select, summary, .call")]
    .filter((one) => one.checkVisibility({visibilityProperty: true, opacityProperty: true}))
    .filter((one) => Math.round(one.getBoundingClientRect().height) < arguments[0])
    .map((one) => one.outerHTML);
"""


def address(live: Site, path: str) -> str:
    """The whole address of a path."""
    return f"{live.service.public_url}{path.removeprefix(live.service.public_url)}"


def push(browser: Chrome, by: str, what: str) -> None:
    """Push a button or follow a link with the keyboard, and wait for the page that follows.

    Not by a tap: the driver waits for ever for one to end on a page whose scripts are off.
    """
    before = browser.find_element(By.TAG_NAME, "html")
    browser.find_element(by, what).send_keys(Keys.ENTER)
    comes_to(browser, lambda: browser.find_element(By.TAG_NAME, "html") != before and whole(browser))


def whole(browser: Chrome) -> bool:
    """Whether the page is there to its end."""
    return bool(browser.execute_script("return document.readyState") == "complete")


def comes_to(browser: Chrome, met: Callable[[], bool]) -> None:
    """Wait until it is so; a page that is just being replaced is looked at again."""
    WebDriverWait(browser, COMES_WITHIN_S, POLL_S, IN_BETWEEN).until(lambda _: met())


def press(browser: Chrome, value: str) -> None:
    """Push the button of that value."""
    push(browser, By.CSS_SELECTOR, f"button[value='{value}']")


def text(browser: Chrome) -> str:
    """What a person reads on the page."""
    return browser.find_element(By.TAG_NAME, "body").text


def overdue(live: Site) -> Dive:
    """A dive whose alarm is up."""
    dive = live.filed()
    act(live.service, dive.id, Start(Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN")))
    live.clock.forward(70)
    act(live.service, dive.id, Tick())
    return dive


def assert_fits(browser: Chrome) -> None:
    """Nothing has to be scrolled sideways, and all that is pressed is large enough for a cold thumb."""
    # Not innerWidth: on a phone that grows with what does not fit.
    wide, screen = browser.execute_script(
        "return [document.documentElement.scrollWidth, document.documentElement.clientWidth]"
    )
    assert wide <= screen, f"{wide} px wide on a screen of {screen}"
    assert browser.execute_script(TOO_SMALL, SMALLEST_TARGET) == []


def assert_no_complaint(browser: Chrome) -> None:
    """The browser refused nothing, so the content security policy and the pages agree."""
    complaints = [entry["message"] for entry in browser.get_log("browser")]
    assert [words for words in complaints if "422" not in words and "409" not in words] == []


def test_a_plan_is_filed_on_a_phone_without_javascript(live: Site, phone_browser_without_javascript: Chrome) -> None:
    """An empty form comes back with its errors, then what will be sent is shown, then it is filed with its codes."""
    browser = phone_browser_without_javascript
    browser.get(address(live, "/plan"))
    browser.find_element(By.NAME, "notes").send_keys("second dive after lunch")
    press(browser, "preview")
    assert "Nothing was filed. Mend these 5:" in text(browser)
    assert_fits(browser)
    browser.find_element(By.LINK_TEXT, "Give the lead diver's name.").send_keys(Keys.ENTER)
    comes_to(browser, lambda: browser.switch_to.active_element.get_attribute("name") == "lead_name")

    browser.find_element(By.NAME, "site").send_keys("Lantern")
    for name, value in PLAN_FORM.items():
        if name != "site":
            browser.find_element(By.NAME, name).send_keys(value)
    press(browser, "preview")

    assert "What will be sent" in text(browser)
    assert "Not heard by 11:05 that all are out?" in text(browser)
    comes_to(browser, lambda: browser.execute_script("return window.scrollY") > 0)
    assert browser.find_element(By.NAME, "notes").get_attribute("value") == "second dive after lunch"
    assert_fits(browser)
    press(browser, "file")

    (dive,) = list_dives(live.service, live.club_id).dives
    assert f"IN {dive.start_code}" in text(browser)
    assert f"OUT {dive.finish_code}" in text(browser)
    assert "No answer means not armed" in text(browser)
    assert dive.plan.notes == "second dive after lunch"
    assert_fits(browser)
    assert_no_complaint(browser)


def test_a_dive_is_run_from_its_page_without_javascript(live: Site, phone_browser_without_javascript: Chrome) -> None:
    """In, late, SOS with its second question, and out, by buttons alone."""
    browser = phone_browser_without_javascript
    dive = live.filed()
    browser.get(address(live, live.dive_path(dive)))

    press(browser, "in")
    assert "Not armed yet" in text(browser)
    assert "in 50 min" in text(browser)
    assert_fits(browser)
    press(browser, "20")
    assert "due out stays 10:50" in text(browser)
    push(browser, By.LINK_TEXT, "SOS: raise the alarm")
    assert live.now_of(dive).phase is Phase.IN_WATER
    assert_fits(browser)
    press(browser, "sos")
    assert live.now_of(dive).phase is Phase.ALERT
    browser.find_element(By.ID, "out-count").send_keys("2")
    press(browser, "out")

    assert "All out" in text(browser)
    assert live.now_of(dive).phase is Phase.CLOSED
    assert_no_complaint(browser)


def test_the_countdown_moves_by_itself(live: Site, phone_browser: Chrome) -> None:
    """With JavaScript the time left counts on between two looks, seconds included."""
    dive = live.filed()
    act(live.service, dive.id, Start(Actor(Role.DIVER, "Anna Holt", Via.PAGE, key="diver-0", words="In")))
    phone_browser.get(address(live, live.dive_path(dive)))

    def left() -> str:
        return phone_browser.find_element(By.CSS_SELECTOR, ".countdown .left").text

    first = left()
    assert " s" in first
    comes_to(phone_browser, lambda: left() != first)
    assert_no_complaint(phone_browser)


def test_a_contact_answers_an_alarm_without_javascript(live: Site, phone_browser_without_javascript: Chrome) -> None:
    """A wrong reference changes nothing and keeps what was typed; the right one reports the call, then all safe."""
    browser = phone_browser_without_javascript
    dive = overdue(live)
    browser.get(address(live, live.alarm_path(dive)))
    assert "Overdue divers: Anna Holt, 2 divers" in text(browser)
    assert "47.12345,-20.54321" in text(browser)
    assert_fits(browser)

    browser.find_element(By.NAME, "incident").send_keys("A-17")
    browser.find_element(By.NAME, "reference").send_keys("2A" if dive.reference != "2A" else "3A")
    press(browser, "called")
    assert "not the reference in your text" in text(browser)
    assert live.now_of(dive).called_at is None
    assert browser.find_element(By.NAME, "incident").get_attribute("value") == "A-17"

    browser.find_element(By.NAME, "reference").clear()
    browser.find_element(By.NAME, "reference").send_keys(dive.reference.lower())
    press(browser, "called")
    assert "incident A-17" in text(browser)
    assert browser.find_element(By.NAME, "reference").get_attribute("value") == dive.reference
    browser.find_element(By.NAME, "count").send_keys("2")
    press(browser, "safe")

    assert "Stood down, all safe" in text(browser)
    assert live.now_of(dive).phase is Phase.CLOSED
    assert_fits(browser)
    assert_no_complaint(browser)


def test_enter_alone_answers_no_alarm(live: Site, phone_browser: Chrome) -> None:
    """Whoever types the reference and presses Enter has not said which answer is meant."""
    dive = overdue(live)
    phone_browser.get(address(live, live.alarm_path(dive)))
    before = phone_browser.find_element(By.TAG_NAME, "html")

    phone_browser.find_element(By.NAME, "reference").send_keys(dive.reference, Keys.ENTER)
    phone_browser.find_element(By.NAME, "count").send_keys("2", Keys.ENTER)

    assert phone_browser.find_element(By.TAG_NAME, "html") == before
    assert live.now_of(dive).acknowledged == ()
    assert live.now_of(dive).live


def deliver(live: Site, phone: str, body: str) -> None:
    """Hand a text to the practice gateway, as the courier does."""
    config = live.app.extensions[EXTENSION].gateway("practice")
    gateway = FormPostGateway(config, public_url=live.service.public_url)
    assert isinstance(gateway.send(Outgoing(phone, body, "m1")), Accepted)
    gateway.close()


def test_texts_appear_on_the_practice_phones_by_themselves(live: Site, phone_browser: Chrome) -> None:
    """What arrives is shown within seconds, while what is being typed on another phone stays as it is."""
    dive = live.filed()
    phone_browser.get(address(live, "/practice"))
    typing = phone_browser.find_element(By.ID, f"body-{ANNA.lstrip('+')}")
    typing.send_keys("I")

    deliver(live, CLEO, "Skerry Bay Divers: please keep.")

    conversation = (By.ID, f"conversation-{CLEO.lstrip('+')}")
    comes_to(phone_browser, lambda: "please keep" in phone_browser.find_element(*conversation).text)
    typing.send_keys("N", Keys.ENTER)
    comes_to(phone_browser, lambda: live.now_of(dive).phase is Phase.IN_WATER and whole(phone_browser))
    assert_fits(phone_browser)
    assert_no_complaint(phone_browser)


def test_the_practice_phones_work_without_javascript(live: Site, phone_browser_without_javascript: Chrome) -> None:
    """Typing, switching off and looking again are plain forms and a link."""
    browser = phone_browser_without_javascript
    dive = live.filed()
    browser.get(address(live, "/practice"))

    browser.find_element(By.ID, f"body-{ANNA.lstrip('+')}").send_keys("in")
    push(browser, By.CSS_SELECTOR, f"#phone-{ANNA.lstrip('+')} .typing button")

    comes_to(browser, lambda: live.now_of(dive).phase is Phase.IN_WATER)
    deliver(live, CLEO, "please keep")
    push(browser, By.LINK_TEXT, "Show what is new")
    assert "please keep" in browser.find_element(By.ID, f"conversation-{CLEO.lstrip('+')}").text
    push(browser, By.CSS_SELECTOR, f"#phone-{CLEO.lstrip('+')} button[value='no']")
    assert "Switched off" in browser.find_element(By.ID, f"conversation-{CLEO.lstrip('+')}").text


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_page_fits_a_phone_by_day_and_by_night(live: Site, phone_browser: Chrome, scheme: str) -> None:
    """No sideways scrolling, large targets, and the ground is dark only when the phone asks for it."""
    dive = overdue(live)
    media = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    phone_browser.execute_cdp_cmd("Emulation.setEmulatedMedia", media)

    for path in ("/", "/plan", "/practice", live.dive_path(dive), live.alarm_path(dive), "/none"):
        phone_browser.get(address(live, path))
        assert_fits(phone_browser)
        ground = phone_browser.execute_script("return getComputedStyle(document.body).backgroundColor")
        assert ground == {"light": "rgb(233, 231, 216)", "dark": "rgb(17, 25, 24)"}[scheme]
