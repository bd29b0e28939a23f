"""The handover page in a real browser: on a telephone, at night, without JavaScript, and on two sheets of paper."""

from __future__ import annotations

import base64
from dataclasses import replace

import pypdfium2
import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from service.domain.dive import Dive
from service.domain.dive.commands import ReportConditions, ReportFix, ReportOnScene, Start, Tick
from service.domain.people import Actor, Role, Via
from service.domain.place.conditions import Current, Wind
from service.domain.place.position import Position
from service.domain.wording import LinkKind
from service.operations.filing import PlanFiled, file_plan
from service.operations.pages import dive_link
from service.operations.plan_reading import GasRequest, NamedPhone, PlanRequest
from service.operations.recording import act
from tests.browser.test_pages import comes_to
from tests.web.installation import ANNA, BRAM, CLEO, DOV, Site

pytestmark = pytest.mark.browser

ANNA_TEXTS = Actor(Role.DIVER, "Anna Holt", Via.TEXT, "diver-0", ANNA, "AT 47.12251 -20.54402")
A4_INCHES = {"paperWidth": 8.27, "paperHeight": 11.69}
NARROW_PX, SHORT_PX = 360, 640
SMALLEST_TARGET = 44

# Where each of the first answers ends, from the top of the page.
ENDS = """
return ["h1", ".where", ".answers > div:nth-child(2)"]
    .map((path) => document.querySelector(path))
    .map((one) => one.getBoundingClientRect().bottom);
"""
TOO_SMALL = """
return [...document.querySelectorAll(".call, .button, summary, .where a, .as-of a")]
    .filter((one) => one.checkVisibility() && Math.round(one.getBoundingClientRect().height) < arguments[0])
    .map((one) => one.outerHTML);
"""
# How light the sketch's ink and its paper are, from 0 to 255.
LIGHTNESS = """
const lightness = (colour) => colour.match(/\\d+/g).slice(0, 3).reduce((sum, part) => sum + Number(part) / 3, 0);
return [
    lightness(getComputedStyle(document.querySelector(".sketch")).color),
    lightness(getComputedStyle(document.querySelector(".sketch-paper")).fill),
];
"""


def overdue(live: Site, dive: Dive) -> None:
    """Let it go in, report a fix, and be missed."""
    act(live.service, dive.id, Start(replace(ANNA_TEXTS, words="IN")))
    live.clock.forward(20)
    act(live.service, dive.id, ReportFix(by=ANNA_TEXTS, position=Position(47.12251, -20.54402), accuracy_m=30))
    live.clock.forward(50)
    act(live.service, dive.id, Tick())


def pack_address(live: Site, dive: Dive) -> str:
    """The whole address of a link of the pack."""
    return dive_link(live.service, dive.id, "contact-0", LinkKind.HANDOVER)


@pytest.fixture
def address(live: Site) -> str:
    """The pack of a dive with a fix, whose alarm is up."""
    dive = live.filed()
    overdue(live, dive)
    return pack_address(live, dive)


@pytest.fixture
def fullest(live: Site) -> str:
    """The pack of a drill by a plan with every field filled in at some length, with conditions and somebody there."""
    words = "Red and white, seen from far; tape on the left sleeve, spare lamp in the bag, and a whistle."
    request = PlanRequest(
        site="LANTERN",
        run_time_min=50,
        lead=NamedPhone("Anna Holt", ANNA),
        party=(NamedPhone("Bram Vik", BRAM),),
        contacts=(NamedPhone("Cleo Marsh", CLEO), NamedPhone("Dov Lind", DOV)),
        depth_m=18,
        gas=GasRequest(cylinder_l=12, fill_bar=200, reserve_bar=50, surface_rate_l_min=20),
        exits=("North slip", "Ladder"),
        vehicle=words,
        kit=words,
        smb=words,
        notes=words,
        water_c=9,
        medical=words,
        share_medical=True,
    )
    filed = file_plan(live.service, live.club_id, request, ANNA_TEXTS, drill=True)
    assert isinstance(filed, PlanFiled)
    overdue(live, filed.dive)
    seen = Actor(Role.CONTACT, "Cleo Marsh", Via.PAGE, "contact-0", CLEO, "At the site")
    act(live.service, filed.dive.id, ReportConditions(seen, Current(250, 0.3), Wind(200, 12)))
    act(live.service, filed.dive.id, ReportOnScene(seen))
    return pack_address(live, filed.dive)


def narrow(browser: Chrome, address: str) -> None:
    """Open it on a small telephone."""
    screen = {"width": NARROW_PX, "height": SHORT_PX, "deviceScaleFactor": 2, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)
    browser.get(address)


def emulate(browser: Chrome, *features: tuple[str, str]) -> None:
    """Let the browser prefer what a person may prefer."""
    wanted = [{"name": name, "value": value} for name, value in features]
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": wanted})


def printed(browser: Chrome) -> bytes:
    """The page on paper, as the browser prints it."""
    options = {**A4_INCHES, "preferCSSPageSize": True, "printBackground": False}
    return base64.b64decode(browser.execute_cdp_cmd("Page.printToPDF", options)["data"])


def test_on_a_small_phone_the_first_answers_are_near_the_top(phone_browser: Chrome, address: str) -> None:
    """What and where on the first screen, how many and since when by half a screen more; nothing is cut off."""
    narrow(phone_browser, address)
    headline, where, since = phone_browser.execute_script(ENDS)

    assert headline < SHORT_PX / 3
    assert where < SHORT_PX
    assert since < SHORT_PX * 1.5
    assert phone_browser.execute_script("return document.documentElement.scrollWidth") <= phone_browser.execute_script(
        "return document.documentElement.clientWidth"
    )


def test_whatever_is_pressed_is_large_enough(phone_browser: Chrome, address: str) -> None:
    """With cold or shaking hands."""
    narrow(phone_browser, address)

    assert phone_browser.execute_script(TOO_SMALL, SMALLEST_TARGET) == []


def test_it_needs_no_javascript(phone_browser_without_javascript: Chrome, address: str) -> None:
    """The whole pack with the sketch is in what was sent."""
    phone_browser_without_javascript.get(address)

    assert phone_browser_without_javascript.find_element(By.TAG_NAME, "h1").text.startswith("Overdue divers")
    assert phone_browser_without_javascript.find_element(By.CSS_SELECTOR, "svg.sketch").is_displayed()
    assert phone_browser_without_javascript.find_element(By.CSS_SELECTOR, ".script li").text.startswith(
        "I am reporting"
    )


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_it_prints_on_two_sheets_of_a4(phone_browser: Chrome, address: str, scheme: str) -> None:
    """Whatever the screen prefers: black on white, with what rescue asks on the first."""
    emulate(phone_browser, ("prefers-color-scheme", scheme))
    phone_browser.get(address)
    comes_to(phone_browser, lambda: bool(phone_browser.find_elements(By.CSS_SELECTOR, "svg.sketch")))

    with pypdfium2.PdfDocument(printed(phone_browser)) as paper:
        pages = len(paper)
        width, height = paper.get_page_size(0)
        page = paper[0]
        text = page.get_textpage()
        first = text.get_text_range()
        text.close()
        bitmap = page.render(scale=1, grayscale=True)
        shades = bitmap.to_pil().histogram()
        bitmap.close()
        page.close()

    assert pages == 2
    assert (round(width), round(height)) == (595, 842)
    for words in ("Overdue divers: Anna Holt, 2 divers", "47.12251,-20.54402", "I am reporting overdue divers."):
        assert words in first
    assert sum(shades[200:]) > 0.8 * sum(shades)  # paper, and not a page of ink


def test_the_fullest_usual_pack_prints_on_two_sheets_too(phone_browser: Chrome, fullest: str) -> None:
    """A drill, which has more to say, by a plan with every field filled in."""
    phone_browser.get(fullest)

    with pypdfium2.PdfDocument(printed(phone_browser)) as paper:
        assert len(paper) == 2


def test_at_night_paper_and_ink_of_the_sketch_turn_over(phone_browser: Chrome, address: str) -> None:
    """A white sheet in the dark blinds whoever looks for a light on the water."""
    emulate(phone_browser, ("prefers-color-scheme", "light"))
    phone_browser.get(address)
    ink_by_day, paper_by_day = phone_browser.execute_script(LIGHTNESS)
    emulate(phone_browser, ("prefers-color-scheme", "dark"))
    ink_at_night, paper_at_night = phone_browser.execute_script(LIGHTNESS)

    assert paper_by_day - ink_by_day > 150
    assert ink_at_night - paper_at_night > 150
