"""axe-core over every page that a person may open: nothing serious, by day and by night.

The rules are those of axe-core 4 (WCAG 2.2 A and AA, and its own good practice). What a machine cannot judge, such as
the order of reading, is looked at by people.
"""

from __future__ import annotations

from importlib.resources import files
from typing import Any

import pytest
from selenium.webdriver import Chrome

from tests.browser.desk.conftest import Seat
from tests.web.test_every_page import every_get

pytestmark = pytest.mark.browser

GRAVE = {"serious", "critical"}
# What carries no page of its own: files for machines, answers for scripts, and addresses that lead on.
NO_PAGE = ("/static/", "/api/", "/healthz", "/readyz", "/metrics", "/practice/gateway/")

# Only the first of what passes is worked out, and no selector of anything: that takes longer than to find the faults.
ASK = """
const [rules, done] = arguments;
const only = rules.length ? {runOnly: {type: "rule", values: rules}} : {};
axe.run(document, {resultTypes: ["violations"], selectors: false, ...only}).then(
  (found) => done(found.violations.map((one) => [one.id, one.impact, one.nodes.map((node) => node.html)])),
  (fault) => done([["axe", "critical", [String(fault)]]]),
);
"""

# What depends on colours. Night changes nothing else.
COLOURS = ("color-contrast", "link-in-text-block")

# Points across, a phone and a laptop, and what axe is asked there: everything, or these rules.
SCREENS: tuple[tuple[int, str, tuple[str, ...]], ...] = (
    (360, "light", ()),
    (390, "dark", COLOURS),
    (1280, "light", ()),
)
# What reaches beyond the screen where the page is wider than that.
TOO_WIDE = """
const page = document.documentElement;
if (page.scrollWidth <= page.clientWidth) return [];
return [...document.querySelectorAll("main *")]
    .filter((one) => one.getBoundingClientRect().right > page.clientWidth)
    .map((one) => one.outerHTML.slice(0, 120));
"""


def look_at(browser: Chrome, width: int) -> None:
    """Have a screen of another width."""
    screen = {"width": width, "height": 844, "deviceScaleFactor": 1, "mobile": width < 600}
    browser.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", screen)


def axe_script() -> str:
    """The script itself."""
    return files("axe_playwright_python").joinpath("axe.min.js").read_text(encoding="utf-8")


def shade(browser: Chrome, scheme: str) -> None:
    """Have the page believe that the person likes it light, or dark."""
    wanted = {"features": [{"name": "prefers-color-scheme", "value": scheme}]}
    browser.execute_cdp_cmd("Emulation.setEmulatedMedia", wanted)


def grave_faults(browser: Chrome, rules: tuple[str, ...] = ()) -> list[Any]:
    """What axe calls serious or critical on the page that is open, by all of its rules or by these."""
    return [found for found in browser.execute_async_script(ASK, rules) if found[1] in GRAVE]


def is_page(browser: Chrome) -> bool:
    """Whether the browser shows a page of ours rather than a file."""
    return bool(
        browser.execute_script("return document.contentType === 'text/html' && !!document.querySelector('main')")
    )


def test_axe_finds_nothing_serious_on_any_page(desk_phone: Seat) -> None:
    """Every page, the desk's as its owner sees them, light and dark, on three widths, with an alarm up."""
    browser, script = desk_phone.browser, axe_script()
    browser.set_script_timeout(60)
    faults: dict[str, list[Any]] = {}
    seen = 0

    for path in every_get(desk_phone.site):
        if path.startswith(NO_PAGE):
            continue
        desk_phone.go(path)
        if not is_page(browser):
            continue
        seen += 1
        browser.execute_script(script)
        for width, scheme, rules in SCREENS:
            look_at(browser, width)
            shade(browser, scheme)
            if found := grave_faults(browser, rules):
                faults[f"{path} {width} {scheme}"] = found
            if too_wide := browser.execute_script(TOO_WIDE):
                faults[f"{path} {width} wide"] = too_wide

    assert seen > 12
    assert faults == {}


def test_axe_speaks_when_a_page_is_bad(desk_phone: Seat) -> None:
    """An image without words, an unlabelled field and grey on grey are found, so silence means something."""
    desk_phone.go("/admin/messages")
    desk_phone.browser.execute_script(
        "document.querySelector('main').innerHTML = "
        "'<h1>x</h1><img src=\"/static/mark.svg\"><input name=a><p class=grey>grey</p>';"
        "document.querySelector('.grey').style.cssText = 'color:#999;background:#aaa';"
    )
    desk_phone.browser.execute_script(axe_script())

    assert {found[0] for found in grave_faults(desk_phone.browser)} == {"image-alt", "label", "color-contrast"}
    assert {found[0] for found in grave_faults(desk_phone.browser, COLOURS)} == {"color-contrast"}
