"""An admin at the desk, on a phone, on a laptop, and on a phone without JavaScript."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import pytest
from selenium.webdriver import Chrome
from selenium.webdriver.common.by import By

from service.operations.admin_roles import AdminRole
from tests.browser.conftest import in_new_tab, open_browser
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
def laptop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    """A laptop with JavaScript, of all tests."""
    yield from open_browser(tmp_path_factory.mktemp("desk"), scripts=True, phone=False)


@pytest.fixture
def laptop_browser(laptop: Chrome) -> Iterator[Chrome]:
    """A laptop, as if nobody had used it."""
    yield from in_new_tab(laptop)


@pytest.fixture
def desk_phone(live: Site, phone_browser: Chrome) -> Seat:
    """The owner on a phone."""
    return seated(live, phone_browser)


@pytest.fixture
def desk_wide(live: Site, laptop_browser: Chrome) -> Seat:
    """The owner on a laptop."""
    return seated(live, laptop_browser)


@pytest.fixture
def desk_plain(live: Site, phone_browser_without_javascript: Chrome) -> Seat:
    """The owner on a phone whose JavaScript is off."""
    return seated(live, phone_browser_without_javascript)


def seated(site: Site, browser: Chrome) -> Seat:
    """The owner, who has just signed in."""
    seat = Seat(site, browser)
    seat.sign_in()
    return seat
