"""People at the desk as its owner has them: added, asked, merged, imported, found and erased, on every screen."""

from __future__ import annotations

from pathlib import Path

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.common.keys import Keys
from selenium.webdriver.remote.webelement import WebElement
from selenium.webdriver.support.ui import Select

from service.store import people
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint, comes_to, push
from tests.web.installation import ANNA

pytestmark = pytest.mark.browser

LIST = "name;phone;contact_1_name;contact_1_phone\nKit Hale;07700 900190;Ivo Reed;07700 900187\nNobody;12;;\n"


@pytest.fixture(params=["desk_phone", "desk_wide", "desk_plain"])
def seat(request: pytest.FixtureRequest) -> Seat:
    """The owner, on each kind of screen."""
    found: Seat = request.getfixturevalue(request.param)
    return found


def find(seat: Seat, by: str, value: str) -> WebElement:
    """The first such element, once the page that has it is there."""
    comes_to(seat.browser, lambda: bool(seat.browser.find_elements(by, value)))
    return seat.browser.find_element(by, value)


def fill(seat: Seat, **fields: str) -> None:
    """Type into the fields of a form."""
    for name, words in fields.items():
        box = find(seat, By.NAME, name)
        box.clear()
        box.send_keys(words)


def press(seat: Seat, words: str) -> None:
    """Press the button that has these words, or follow the link, and wait for the page that follows."""
    push(seat.browser, By.XPATH, f"//main//*[self::button or self::a][contains(normalize-space(.), '{words}')]")


def tick(seat: Seat, input_id: str) -> None:
    """Tick a box or choose a button, with the keyboard."""
    find(seat, By.ID, input_id).send_keys(Keys.SPACE)


def shows(seat: Seat, words: str) -> None:
    """The page comes to say that; it fits the screen, and the browser complains of nothing."""
    comes_to(seat.browser, lambda: words in seat.browser.find_element(By.TAG_NAME, "main").text)
    assert_fits(seat.browser)
    assert_no_complaint(seat.browser)


def test_the_people_of_the_club_are_kept_from_an_empty_form_to_the_last_trace(seat: Seat, tmp_path: Path) -> None:
    """An entry with a contact who was asked, merged; a list, somebody found in it and erased."""
    seat.go("/admin/people")
    press(seat, "Add a person")
    fill(seat, name="Anna Holt", phone="12")
    press(seat, "Add")
    shows(seat, "too short")
    fill(seat, phone="07700 900188", contact_1_name="Ivo Reed", contact_1_phone="07700 900187")
    press(seat, "Add")

    shows(seat, "Not asked yet")
    press(seat, "Ask now")
    shows(seat, "Ivo Reed is asked by text and answers AGREE or DECLINE.")

    press(seat, "Merge with another")
    other = seat.site.service.read(lambda session: people.by_phone(session, seat.site.club_id, ANNA))
    assert other is not None
    Select(find(seat, By.NAME, "with")).select_by_value(other.id)
    press(seat, "Look at both")
    shows(seat, "Anna Holt with +44 7700 900188 stays, Anna Holt with +44 7700 900101 goes")
    tick(seat, "phone-kept")
    press(seat, "Merge")
    shows(seat, "Cleo Marsh")

    seat.go("/admin/people/import")
    file = tmp_path / "people.csv"
    file.write_text(LIST, encoding="utf-8")
    find(seat, By.NAME, "list").send_keys(str(file))
    press(seat, "Show what it would do")
    shows(seat, "1 added, 0 changed, 0 as they are, 1 refused")
    press(seat, "Take over 1, leave out 1")
    shows(seat, "The list was taken over.")
    fill(seat, find="900190")
    press(seat, "Find")
    assert "Cleo Marsh" not in seat.browser.find_element(By.TAG_NAME, "main").text
    press(seat, "Kit Hale")
    press(seat, "Erase all traces")
    shows(seat, "A dive that is open is never touched")
    tick(seat, "sure")
    press(seat, "Erase Kit Hale")
    shows(seat, "Done")
