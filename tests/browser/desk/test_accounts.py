"""An owner and somebody new, each in a browser of their own: invited, in, with a second step, and out everywhere."""

from __future__ import annotations

from datetime import timedelta

import pyotp
import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.support.ui import Select

from service.clock import WallClock
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint, push

pytestmark = pytest.mark.browser

IDA = "ida@skerry.example"
PASSWORD = "kelp and shingle"


def press(browser: Chrome, words: str) -> None:
    """Press the button that begins with these words, wherever on the page it is."""
    push(browser, By.XPATH, f"//button[starts-with(normalize-space(), '{words}')]")


def write(browser: Chrome, field: str, words: str) -> None:
    """Type into the field of that id."""
    browser.find_element(By.ID, field).send_keys(words)


def words_of(browser: Chrome) -> str:
    """What the page says."""
    return browser.find_element(By.TAG_NAME, "main").text


def path_shown(browser: Chrome) -> str:
    """The path of the link that is shown once."""
    return browser.find_element(By.CLASS_NAME, "once").text.partition("/admin")[2]


def code_of(secret: str, later_s: int = 0) -> str:
    """What a device shows, or will show so many seconds later."""
    return pyotp.TOTP(secret).at(WallClock().now() + timedelta(seconds=later_s))


def invite(owner: Seat) -> str:
    """Invite Ida as an officer; the path of the link."""
    owner.go("/admin/accounts")
    write(owner.browser, "email", IDA)
    Select(owner.browser.find_element(By.CSS_SELECTOR, "form.deed select")).select_by_value("officer")
    press(owner.browser, "Make the link")
    return f"/admin{path_shown(owner.browser)}"


def accept(browser: Chrome) -> None:
    """Fill in what an invitation asks for."""
    write(browser, "name", "Ida Fell")
    write(browser, "phone", "07700 900444")
    write(browser, "password", PASSWORD)
    press(browser, "Take the account")


def sign_in(browser: Chrome) -> None:
    """Type Ida's address and password."""
    write(browser, "email", IDA)
    write(browser, "password", PASSWORD)
    press(browser, "Sign in")


def turn_second_step_on(ida: Seat) -> tuple[str, list[str]]:
    """Read the secret off the page into a device; gives it, and the recovery codes."""
    ida.go("/admin/own-account")
    write(ida.browser, "begin-password", PASSWORD)
    press(ida.browser, "Set it up")
    assert ida.browser.find_element(By.CSS_SELECTOR, "svg.sealed-code").size["width"] > 150
    assert_fits(ida.browser)
    assert_no_complaint(ida.browser)
    secret = ida.browser.find_element(By.CLASS_NAME, "once").text.replace(" ", "")
    write(ida.browser, "code", code_of(secret))
    press(ida.browser, "Turn the second step on")
    return secret, [one.text for one in ida.browser.find_elements(By.CSS_SELECTOR, ".codes-once li")]


def test_somebody_new_comes_to_the_desk_and_leaves_it_everywhere(desk_wide: Seat, desk_phone: Seat) -> None:
    """Invited on a laptop, accepted on a phone, a code at the second sign-in, and signed out everywhere."""
    phone = desk_phone.browser
    path = invite(desk_wide)
    assert_fits(desk_wide.browser)
    phone.delete_all_cookies()

    desk_phone.go(path)
    assert_fits(phone)
    write(phone, "password", "shown")
    phone.find_element(By.CSS_SELECTOR, "[data-shows=password]").click()
    assert phone.find_element(By.ID, "password").get_attribute("type") == "text"
    phone.find_element(By.ID, "password").clear()
    accept(phone)
    assert "You have an account" in words_of(phone)
    sign_in(phone)

    secret, recovery = turn_second_step_on(desk_phone)
    assert (len(recovery), "The second step is on" in words_of(phone)) == (10, True)
    assert_fits(phone)
    phone.find_element(By.CSS_SELECTOR, ".desk-menu summary").send_keys(Keys.ENTER)
    press(phone, "Sign out Ida")
    sign_in(phone)
    write(phone, "code", code_of(secret, later_s=30))
    press(phone, "Go on")
    desk_phone.go("/admin/own-account")
    assert "10 recovery codes are left" in words_of(phone)
    assert_fits(phone)

    press(phone, "Sign out everywhere")
    desk_phone.go("/admin/own-account")
    assert phone.current_url.endswith("/admin/sign-in")
    desk_wide.go("/admin/accounts")
    assert "Second step on" in words_of(desk_wide.browser)


def test_the_desk_is_joined_and_a_screen_made_without_javascript(desk_plain: Seat) -> None:
    """Invitation, password and board screen work by forms alone; what only a script could do is not there."""
    browser = desk_plain.browser
    desk_plain.go("/admin/screens")
    write(browser, "name", "Kit room")
    press(browser, "Make a link for it")
    screen, invitation = f"/admin{path_shown(browser)}", invite(desk_plain)
    assert_fits(browser)
    browser.delete_all_cookies()

    desk_plain.go(invitation)
    assert not browser.find_element(By.CSS_SELECTOR, "[data-shows]").is_displayed()
    accept(browser)
    sign_in(browser)
    desk_plain.go("/admin/own-account")
    write(browser, "old_password", PASSWORD)
    write(browser, "new_password", "shingle under the tide")
    press(browser, "Change the password")
    assert "Your password is changed" in words_of(browser)
    assert_fits(browser)

    browser.delete_all_cookies()
    desk_plain.go(screen)
    press(browser, "Make this the board screen")
    assert browser.current_url.endswith("/admin/board")
    assert "Screen Kit room" in browser.find_element(By.TAG_NAME, "body").text
    assert_fits(browser)
    desk_plain.go("/admin/messages")
    assert browser.current_url.endswith("/admin/sign-in")
    desk_plain.sign_in()
    desk_plain.go("/admin/screens")
    assert "In use since" in words_of(browser)
