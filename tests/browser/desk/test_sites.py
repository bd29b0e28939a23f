"""Sites as an officer on the spot has them: by where the phone is, a sketch that follows, and all without a script."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys

from service.domain.place.position import Position
from service.operations.site_editing import SiteOpened, open_site
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint, comes_to, push
from tests.browser.test_placing import HERE, permit

pytestmark = pytest.mark.browser

LANTERN = "/admin/sites/LANTERN"


@pytest.fixture
def on_the_spot(desk_phone: Seat) -> Iterator[Seat]:
    """An officer at the water, whose phone knows where it is."""
    permit(desk_phone.browser, desk_phone.site, "granted")
    desk_phone.browser.execute_cdp_cmd("Emulation.setGeolocationOverride", HERE)
    yield desk_phone
    desk_phone.browser.execute_cdp_cmd("Emulation.clearGeolocationOverride", {})


def stored(seat: Seat, code: str = "LANTERN") -> SiteOpened:
    """A site as it is stored."""
    opened = open_site(seat.site.service, seat.site.club_id, code)
    assert opened is not None
    return opened


def field(browser: Chrome, name: str) -> str:
    """What stands in a field."""
    return browser.find_element(By.ID, name).get_attribute("value") or ""


def put(browser: Chrome, name: str, typed: str) -> None:
    """Type into a field, in the place of what is there."""
    found = browser.find_element(By.ID, name)
    found.clear()
    found.send_keys(typed)


def press_here(browser: Chrome, name: str) -> None:
    """Press the button of a field that asks the phone."""
    browser.find_element(By.CSS_SELECTOR, f".here[data-for={name}]").send_keys(Keys.ENTER)


def words(browser: Chrome, element: str) -> str:
    """What stands in a part of the page."""
    return browser.find_element(By.ID, element).text


def save(browser: Chrome) -> None:
    """Press the last button of the form."""
    push(browser, By.CSS_SELECTOR, ".typed > button[value=save]")


def test_an_officer_on_the_spot_makes_a_site_by_their_phone(on_the_spot: Seat) -> None:
    """Never asked before the press; too rough a place is put in only when said to be meant; drawn, and saved."""
    browser = on_the_spot.browser
    on_the_spot.go("/admin/sites/new-site")
    assert field(browser, "position") == ""
    put(browser, "code", "east")
    put(browser, "name", "East Cove")

    press_here(browser, "position")
    comes_to(browser, lambda: "47.12310 N" in words(browser, "position-said"))
    assert field(browser, "position") == "47.123100, -20.544000"
    assert "good to 12 m" in words(browser, "position-located")
    comes_to(browser, lambda: browser.find_elements(By.CSS_SELECTOR, "#sketch svg") != [])

    rough = {"latitude": 47.1234, "longitude": -20.5443, "accuracy": 120}
    browser.execute_cdp_cmd("Emulation.setGeolocationOverride", rough)
    put(browser, "p1_name", "Steps")
    press_here(browser, "p1_position")
    comes_to(browser, lambda: "to 120 m only" in words(browser, "p1_position-located"))
    assert field(browser, "p1_position") == ""
    browser.find_element(By.CSS_SELECTOR, "#p1_position-located button").send_keys(Keys.ENTER)
    comes_to(browser, lambda: "from the site's position" in words(browser, "p1_position-said"))
    assert "Steps" in browser.find_element(By.CSS_SELECTOR, "#sketch svg").text
    assert_fits(browser)

    save(browser)

    assert "Saved" in browser.find_element(By.TAG_NAME, "main").text
    site = stored(on_the_spot, "EAST").site
    assert site.position == Position(47.1231, -20.544)
    assert [(point.name, point.position) for point in site.points] == [("Steps", Position(47.1234, -20.5443))]
    assert_no_complaint(browser)


@pytest.mark.parametrize(("setting", "told"), [("denied", "may not ask for it"), ("granted", "Go under open sky")])
def test_a_phone_that_may_not_or_cannot_tell_leaves_the_field(on_the_spot: Seat, setting: str, told: str) -> None:
    """It says what to do, and the button can be pressed again."""
    browser = on_the_spot.browser
    permit(browser, on_the_spot.site, setting)
    browser.execute_cdp_cmd("Emulation.setGeolocationOverride", {})
    on_the_spot.go(LANTERN)
    before = field(browser, "position")

    press_here(browser, "position")
    comes_to(browser, lambda: told in words(browser, "position-located"))

    assert "type the position" in words(browser, "position-located")
    assert browser.find_element(By.CSS_SELECTOR, ".here").is_enabled()
    assert field(browser, "position") == before


def test_the_sketch_follows_what_is_typed(desk_wide: Seat) -> None:
    """Beside the form; each position is read back, a wrong one is said at once, and nothing is kept before Save."""
    browser = desk_wide.browser
    desk_wide.go(LANTERN)
    before = stored(desk_wide).site
    assert "North slip" in browser.find_element(By.CSS_SELECTOR, "#sketch svg").text

    put(browser, "p0_name", "Old slip")
    comes_to(browser, lambda: "Old slip" in browser.find_element(By.CSS_SELECTOR, "#sketch svg").text)
    put(browser, "p1_position", "47 07.41N 020 32.6W")
    comes_to(browser, lambda: "47°07.410'N 020°32.600'W" in words(browser, "p1_position-said"))
    put(browser, "p2_position", "91.1234, -5.2")
    comes_to(browser, lambda: "impossible" in words(browser, "p2_position-said"))

    assert stored(desk_wide).site == before
    sketch, form = (browser.find_element(By.CSS_SELECTOR, one).rect for one in (".drawn", ".typed"))
    assert sketch["x"] > form["x"] + form["width"] / 2
    save(browser)
    assert "Mend this" in browser.find_element(By.ID, "mistakes").text
    put(browser, "p2_position", "")
    save(browser)
    assert [point.name for point in stored(desk_wide).site.points] == ["Old slip", "Ladder", "Gate"]
    assert_fits(browser)
    assert_no_complaint(browser)


def test_all_of_it_goes_without_a_script(desk_plain: Seat) -> None:
    """A button draws, one adds a point, one moves it up, one saves; the phone is never offered."""
    browser = desk_plain.browser
    desk_plain.go(LANTERN)
    assert not browser.find_element(By.CSS_SELECTOR, ".here").is_displayed()
    put(browser, "p3_name", "Pontoon")
    put(browser, "p3_position", "47.1238, -20.5438")
    browser.find_element(By.CSS_SELECTOR, "#p3_kind option[value=exit]").click()

    push(browser, By.ID, "draw")
    assert "47.12380 N" in words(browser, "p3_position-said")
    assert "Pontoon" in browser.find_element(By.CSS_SELECTOR, "#sketch svg").text
    push(browser, By.CSS_SELECTOR, "button[value=up-3]")
    assert field(browser, "p2_name") == "Pontoon"
    push(browser, By.CSS_SELECTOR, "button[value=add]")
    assert field(browser, "p4_name") == ""
    assert_fits(browser)
    save(browser)

    assert [point.name for point in stored(desk_plain).site.points] == ["North slip", "Ladder", "Pontoon", "Gate"]
    assert_no_complaint(browser)
