"""People at the desk as an officer has them: added, asked, merged, and taken from a list, on a phone and a laptop."""

from __future__ import annotations

from pathlib import Path

import pytest
from selenium.webdriver.common.by import By
from selenium.webdriver.support.ui import Select

from service.store import people
from tests.browser.desk.conftest import Seat
from tests.browser.test_pages import assert_fits, assert_no_complaint
from tests.web.installation import ANNA

pytestmark = pytest.mark.browser

LIST = "name;phone;contact_1_name;contact_1_phone\nKit Hale;07700 900190;Ivo Reed;07700 900187\nNobody;12;;\n"


@pytest.fixture(params=["desk_phone", "desk_wide", "desk_plain"])
def seat(request: pytest.FixtureRequest) -> Seat:
    """The owner, on each kind of screen."""
    found: Seat = request.getfixturevalue(request.param)
    return found


def fill(seat: Seat, **fields: str) -> None:
    """Type into the fields of a form."""
    for name, words in fields.items():
        box = seat.browser.find_element(By.NAME, name)
        box.clear()
        box.send_keys(words)


def press(seat: Seat, words: str) -> None:
    """Press the button that has these words, or follow the link."""
    wanted = f"//main//*[self::button or self::a][contains(normalize-space(.), '{words}')]"
    found = seat.browser.find_element(By.XPATH, wanted)
    seat.browser.execute_script("arguments[0].scrollIntoView({block: 'center'})", found)
    found.click()


def shown(seat: Seat) -> str:
    """What the page says; each page fits the screen, and the browser complains of nothing."""
    assert_fits(seat.browser)
    assert_no_complaint(seat.browser)
    return seat.browser.find_element(By.TAG_NAME, "main").text


def test_an_officer_keeps_the_people_of_the_club(seat: Seat, tmp_path: Path) -> None:
    """From an empty form to one entry with a contact who was asked; then a list, and finding somebody in it."""
    seat.browser.find_element(By.LINK_TEXT, "People").click()
    press(seat, "Add a person")
    fill(seat, name="Anna Holt", phone="12")
    press(seat, "Add")
    assert "too short" in shown(seat)
    fill(seat, phone="07700 900188", contact_1_name="Ivo Reed", contact_1_phone="07700 900187")
    press(seat, "Add")

    assert "Not asked yet" in shown(seat)
    press(seat, "Ask now")
    assert "Ivo Reed is asked by text and answers AGREE or DECLINE." in shown(seat)

    press(seat, "Merge with another")
    other = seat.site.service.read(lambda session: people.by_phone(session, seat.site.club_id, ANNA))
    assert other is not None
    Select(seat.browser.find_element(By.NAME, "with")).select_by_value(other.id)
    press(seat, "Look at both")
    assert "Anna Holt with +44 7700 900188 stays, Anna Holt with +44 7700 900101 goes" in shown(seat)
    seat.browser.find_element(By.CSS_SELECTOR, "label[for=phone-kept]").click()
    press(seat, "Merge")
    assert "Cleo Marsh" in shown(seat)

    seat.go("/admin/people/import")
    file = tmp_path / "people.csv"
    file.write_text(LIST, encoding="utf-8")
    seat.browser.find_element(By.NAME, "list").send_keys(str(file))
    press(seat, "Show what it would do")
    assert "1 added, 0 changed, 0 as they are, 1 refused" in shown(seat)
    press(seat, "Take over 1, leave out 1")
    assert "The list was taken over." in shown(seat)
    fill(seat, find="900190")
    press(seat, "Find")
    assert "Kit Hale" in shown(seat)
    assert "Cleo Marsh" not in shown(seat)
