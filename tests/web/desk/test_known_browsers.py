"""Guessing passwords: it ends soon, and keeps neither the admin out who was here before nor anybody from an alarm."""

from __future__ import annotations

from flask.testing import FlaskClient

from service.operations.signing_in import BROWSER_KNOWN_FOR, KNOWN_BROWSER_TRIES
from service.store.tries import WINDOW
from tests.web.desk.entering import enter, post, sign_in
from tests.web.installation import ADMIN_EMAIL, ADMIN_PASSWORD, Site


def guess_from_everywhere(at: Site, most: int) -> int:
    """Try wrong passwords from ever new addresses until one is not looked at any more; how many were."""
    for tries in range(most):
        browser = at.app.test_client()
        wrong = {"email": ADMIN_EMAIL, "password": "wrong"}
        place = {"REMOTE_ADDR": f"198.51.100.{tries}"}
        if browser.post("/admin/sign-in", data=wrong, environ_overrides=place).status_code == 429:
            return tries
        at.clock.forward(0.02)
    return most


def test_guessing_from_many_places_ends_and_a_known_browser_still_gets_in(at: Site, client: FlaskClient) -> None:
    """After a hundred tries nobody new may try, but the admin goes in on the browser that was used before."""
    enter(client)
    post(client, "/admin/sign-out")

    # The sign-in at the beginning was the first of the hundred.
    assert guess_from_everywhere(at, 120) == 99

    assert sign_in(at.app.test_client()).status_code == 429
    assert sign_in(client).status_code == 303


def test_guessing_from_one_place_uses_up_the_tries_of_that_place_only(at: Site, client: FlaskClient) -> None:
    """The admin gets in from elsewhere on a browser that was never used here, and contacts' pages open everywhere."""
    dive = at.filed()
    for _ in range(11):
        sign_in(client, ADMIN_EMAIL, "wrong")

    elsewhere = {"REMOTE_ADDR": "203.0.113.9"}
    typed = {"email": ADMIN_EMAIL, "password": ADMIN_PASSWORD}

    assert sign_in(client).status_code == 429
    assert at.app.test_client().post("/admin/sign-in", data=typed, environ_overrides=elsewhere).status_code == 303
    assert client.get(at.alarm_path(dive)).status_code == 200


def test_a_known_browser_has_a_count_of_its_own(at: Site, client: FlaskClient) -> None:
    """A stolen laptop guesses ten times in a quarter of an hour; a quarter of an hour later its owner may again."""
    enter(client)
    post(client, "/admin/sign-out")
    for _ in range(KNOWN_BROWSER_TRIES):
        assert sign_in(client, ADMIN_EMAIL, "wrong").status_code == 403

    refused = sign_in(client)
    at.clock.at += WINDOW

    assert refused.status_code == 429
    assert sign_in(client).status_code == 303


def test_a_known_browser_is_known_for_its_own_admin_only(at: Site, client: FlaskClient) -> None:
    """Its cookie gives no tries for another account."""
    enter(client)
    post(client, "/admin/sign-out")
    for _ in range(10):
        sign_in(client, "ove@skerry.example", "wrong")

    assert sign_in(client, "ove@skerry.example", "wrong").status_code == 429


def test_the_cookie_that_makes_a_browser_known_signs_nobody_in(at: Site, client: FlaskClient) -> None:
    """It only says which count holds."""
    cookies = enter(client).headers.getlist("Set-Cookie")
    known = next(cookie for cookie in cookies if cookie.startswith("desk-browser=")).partition(";")[0]

    assert at.app.test_client().get("/admin/messages", headers={"Cookie": known}).status_code == 303


def test_a_browser_that_was_not_used_for_long_is_known_no_more(at: Site, client: FlaskClient) -> None:
    """Half a year."""
    enter(client)
    at.clock.at += BROWSER_KNOWN_FOR
    guess_from_everywhere(at, 120)

    assert sign_in(client).status_code == 429
