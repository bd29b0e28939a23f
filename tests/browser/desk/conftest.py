"""An admin at the desk, on a phone, on a laptop, and on a phone without JavaScript.

Starting Chromium takes seconds, so each of the three starts once for all tests of a process; its cookies are emptied
between them.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from service.operations.admin_roles import AdminRole
from tests.browser.conftest import be_phone, open_browser
from tests.browser.test_pages import push
from tests.web.desk.entering import EMAILS, add_admin
from tests.web.installation import ADMIN_PASSWORD, Site


@dataclass
class Seat:
    """An admin who is signed in: the installation, the browser, and the address of the service."""

    site: Site
    browser: Chrome

    @property
    def url(self) -> str:
        """Where the service listens."""
        return self.site.service.public_url

    def go(self, path: str) -> None:
        """Open a page of the service."""
        self.browser.get(self.url + path)

    def sign_in(self, role: AdminRole = AdminRole.OWNER) -> None:
        """Sign in by the form, as the admin of that role."""
        add_admin(self.site.service, role)
        self.browser.delete_all_cookies()
        self.go("/admin/sign-in")
        self.browser.find_element(By.NAME, "email").send_keys(EMAILS[role])
        self.browser.find_element(By.NAME, "password").send_keys(ADMIN_PASSWORD)
        push(self.browser, By.CSS_SELECTOR, "form.deed > button")


@pytest.fixture(scope="session")
def phone_of_desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    """A phone with JavaScript."""
    yield from open_browser(tmp_path_factory.mktemp("desk"), scripts=True, phone=True)


@pytest.fixture(scope="session")
def laptop_of_desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    """A laptop with JavaScript."""
    yield from open_browser(tmp_path_factory.mktemp("desk"), scripts=True, phone=False)


@pytest.fixture(scope="session")
def plain_phone_of_desk(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    """A phone without JavaScript."""
    yield from open_browser(tmp_path_factory.mktemp("desk"), scripts=False, phone=True)


@pytest.fixture
def desk_phone(live: Site, phone_of_desk: Chrome) -> Iterator[Seat]:
    """The owner on a phone, whatever screen the test before chose."""
    be_phone(phone_of_desk)
    yield from _seated(live, phone_of_desk)


@pytest.fixture
def desk_wide(live: Site, laptop_of_desk: Chrome) -> Iterator[Seat]:
    """The owner on a laptop."""
    yield from _seated(live, laptop_of_desk)


@pytest.fixture
def desk_plain(live: Site, plain_phone_of_desk: Chrome) -> Iterator[Seat]:
    """The owner on a phone whose JavaScript is off."""
    yield from _seated(live, plain_phone_of_desk)


def _seated(site: Site, browser: Chrome) -> Iterator[Seat]:
    seat = Seat(site, browser)
    seat.sign_in()
    yield seat
    # No page of this installation is left open: its scripts would ask a server that is gone.
    browser.get("about:blank")
    # What one test's pages complained of, such as an icon that a file has none of, is not the next one's.
    browser.get_log("browser")
