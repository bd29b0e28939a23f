"""A phone-sized Chromium and a demo that listens, for the tests that need real pages.

Starting Chromium takes more of the processor than most tests, so each kind starts once for all tests of a process.
"""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from selenium.common.exceptions import StaleElementReferenceException, WebDriverException
from selenium.webdriver import Chrome, ChromeOptions
from selenium.webdriver.chrome.service import Service

from service.store.engine import open_engine
from tests.web.installation import Site, StillClock
from tests.web.live import serving

CHROMIUM_NAMES = ("chromium", "chromium-browser", "google-chrome")
DRIVER_NAMES = ("chromedriver",)

# Points on the screen of a common telephone.
PHONE_WIDTH, PHONE_HEIGHT = 390, 844
# Those of a small laptop.
DESK_WIDTH, DESK_HEIGHT = 1280, 900

PAGE_LOADS_WITHIN_S = 60
THERE_WITHIN_S = 5

# A browser of tests speaks to the page under test and to nobody else.
QUIET = (
    "--disable-background-networking",
    "--disable-client-side-phishing-detection",
    "--disable-component-update",
    "--disable-default-apps",
    "--disable-domain-reliability",
    "--disable-extensions",
    "--disable-gpu",
    "--disable-quic",
    "--disable-sync",
    "--metrics-recording-only",
    "--no-default-browser-check",
    "--no-first-run",
    # Names other than this machine's do not resolve.
    "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE localhost, EXCLUDE 127.0.0.1",
)

# In these words Chromium's driver at times says "unknown error" of an element whose page is going
# (https://github.com/SeleniumHQ/selenium/issues/15401).
GONE_BY_ANOTHER_NAME = ("Node with given id does not belong to the document", "No node with given id found")

# tests/conftest.py prints a loud line at the end for skips whose reason begins like this.
HOW_TO_INSTALL = "no Chromium with its driver (Debian: apt-get install chromium chromium-driver)"


def first_program(names: tuple[str, ...]) -> str | None:
    """Where the first of these programs is installed."""
    return next(filter(None, map(shutil.which, names)), None)


def programs() -> tuple[str, str]:
    """Chromium and its driver; without them the test is skipped, or fails where a browser is required."""
    chromium, driver = first_program(CHROMIUM_NAMES), first_program(DRIVER_NAMES)
    if chromium and driver:
        return chromium, driver
    if os.environ.get("LINETENDER_REQUIRE_BROWSER") == "1":
        pytest.fail(f"browser tests are required here, but there is {HOW_TO_INSTALL}")
    pytest.skip(HOW_TO_INSTALL)


class Browser(Chrome):
    """A browser that says of an element that is gone that it is stale, and whose `get` returns a page that is whole.

    On a busy machine the driver's `get` may return before.
    """

    def execute(self, driver_command: str, params: dict[str, Any] | None = None) -> dict[str, Any]:
        """Ask the driver for something.

        Raises:
            StaleElementReferenceException: The element is not on the page any more.
        """
        try:
            return super().execute(driver_command, params)
        except WebDriverException as error:
            if any(words in str(error.msg) for words in GONE_BY_ANOTHER_NAME):
                raise StaleElementReferenceException(error.msg) from error
            raise

    def get(self, url: str) -> None:
        """Open an address. One that leads back to the page that is open takes a few seconds."""
        before = self.current_url
        super().get(url)
        give_up_at = time.monotonic() + THERE_WITHIN_S
        while time.monotonic() < give_up_at and not self._is_there(before, url):
            time.sleep(0.05)

    def _is_there(self, before: str, url: str) -> bool:
        moved = self.current_url != before or url == before
        return moved and self.execute_script("return document.readyState") == "complete"


def quiet_options(chromium: str, profile: Path, *, scripts: bool) -> ChromeOptions:
    """A browser with a profile of its own, quiet, with or without JavaScript."""
    options = ChromeOptions()
    options.binary_location = chromium
    for argument in (*QUIET, "--headless=new", f"--user-data-dir={profile}"):
        options.add_argument(argument)
    options.add_argument("--disable-dev-shm-usage")
    if os.geteuid() == 0:
        options.add_argument("--no-sandbox")
    if not scripts:
        # 2 is Chromium's word for "block".
        blocked = {"profile.managed_default_content_settings.javascript": 2}
        options.add_experimental_option("prefs", blocked)
    return options


def be_phone(browser: Chrome) -> None:
    """The screen of a common telephone.

    Not by the driver's own way (`mobileEmulation`): that sets its screen anew with each page, so that no test could
    choose another.
    """
    screen = {"width": PHONE_WIDTH, "height": PHONE_HEIGHT, "deviceScaleFactor": 3, "mobile": True}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)


def be_touched_phone(browser: Chrome) -> None:
    """The same, with fingers in place of a mouse."""
    be_phone(browser)
    browser.execute_cdp_cmd("Emulation.setTouchEmulationEnabled", {"enabled": True})


def open_browser(profile: Path, *, scripts: bool, phone: bool) -> Iterator[Chrome]:
    """A browser from start to end, with the screen of a phone or of a desk; only what it started is ended."""
    chromium, driver = programs()
    options = quiet_options(chromium, profile, scripts=scripts)
    if not phone:
        options.add_argument(f"--window-size={DESK_WIDTH},{DESK_HEIGHT}")
    browser = Browser(options=options, service=Service(driver))
    if phone:
        be_touched_phone(browser)
    try:
        browser.set_page_load_timeout(PAGE_LOADS_WITHIN_S)
        yield browser
    finally:
        browser.quit()


@pytest.fixture
def live(migrated_sqlite_url: str) -> Iterator[Site]:
    """A demo that listens, on a database of its own."""
    engine = open_engine(migrated_sqlite_url)
    with serving(engine, StillClock()) as site:
        yield site
    engine.dispose()


@pytest.fixture(scope="session")
def phone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    """A phone with JavaScript, of all tests."""
    yield from open_browser(tmp_path_factory.mktemp("phone"), scripts=True, phone=True)


@pytest.fixture(scope="session")
def plain_phone(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Chrome]:
    """A phone whose owner has turned JavaScript off, of all tests."""
    yield from open_browser(tmp_path_factory.mktemp("phone"), scripts=False, phone=True)


@pytest.fixture
def phone_browser(phone: Chrome) -> Iterator[Chrome]:
    """A phone with JavaScript, as if nobody had used it."""
    yield from in_new_tab(phone, be_touched_phone)


@pytest.fixture
def phone_browser_without_javascript(plain_phone: Chrome) -> Iterator[Chrome]:
    """A phone whose owner has turned JavaScript off, as if nobody had used it."""
    yield from in_new_tab(plain_phone, be_touched_phone)


def in_new_tab(browser: Chrome, become: Callable[[Chrome], object] = lambda _: None) -> Iterator[Chrome]:
    """A tab that no test has used, which becomes a phone or stays what it is, and no cookies.

    What a tab was told of screen, place, network and scripts goes with it, and what a page keeps or was permitted is of
    its own address, which each demo has another one of.
    """
    first = browser.current_window_handle
    browser.switch_to.new_window("tab")
    become(browser)
    browser.execute_cdp_cmd("Network.clearBrowserCookies", {})
    browser.get_log("browser")  # what the pages of another test complained of
    try:
        yield browser
    finally:
        for tab in browser.window_handles:
            if tab != first:
                browser.switch_to.window(tab)
                browser.close()
        browser.switch_to.window(first)
