"""The second step of signing in: set up, asked for, never satisfied twice by one code, and lost."""

from __future__ import annotations

from dataclasses import replace

import pytest
from flask.testing import FlaskClient

from service.operations.admin_roles import AdminRole
from service.operations.signing_in import CODE_WITHIN, STRANGERS_CODES
from service.store import admins, log, second_factors
from service.web.context import EXTENSION
from service.web.desk.sign_in import FIRST_PAGE
from tests.web.desk.codes import STEP_PATH, WallClock, begin, give, turn_on
from tests.web.desk.entering import EMAILS, enter, post, sign_in
from tests.web.desk.test_sign_in import kinds
from tests.web.installation import ADMIN_PASSWORD, Site

OWN = "/admin/own-account"


@pytest.fixture
def wall(at: Site) -> WallClock:
    """Real time of the process."""
    clock = WallClock()
    at.app.extensions[EXTENSION] = replace(at.app.extensions[EXTENSION], wall=clock)
    return clock


def is_in(client: FlaskClient) -> bool:
    """Whether this browser is signed in."""
    return client.get("/admin/messages").status_code == 200


def test_with_the_second_step_on_a_password_is_not_enough(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """Before the code nothing opens; with it the desk does."""
    enter(client)
    device = turn_on(client, wall)
    other = at.app.test_client()

    asked = sign_in(other)
    assert asked.headers["Location"] == "/admin/sign-in/code"
    assert "HttpOnly" in asked.headers["Set-Cookie"]
    assert not is_in(other)

    assert give(other, f" {device.code()[:3]} {device.code()[3:]} ").status_code == 303
    assert is_in(other)
    assert "second_factor_on" in kinds(at)


def test_a_code_that_was_taken_is_not_taken_again(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """Neither in the half minute in which it still would be right, nor one before it."""
    enter(client)
    device = turn_on(client, wall)
    before = device.code(-30)
    code = device.code()

    for typed, status in ((code, 303), (code, 403), (before, 403)):
        browser = at.app.test_client()
        sign_in(browser)
        assert give(browser, typed).status_code == status


@pytest.mark.parametrize(
    ("later_s", "status"),
    [(-60, 403), (-30, 303), (0, 303), (30, 303), (60, 403)],
    ids=["two steps behind", "one step behind", "now", "one step ahead", "two steps ahead"],
)
def test_a_code_is_right_for_one_step_on_either_side(
    at: Site, client: FlaskClient, wall: WallClock, later_s: int, status: int
) -> None:
    """Clocks differ by seconds, and typing takes some."""
    enter(client)
    device = turn_on(client, wall)
    for _ in range(4):
        wall.next_code()
    browser = at.app.test_client()
    sign_in(browser)

    assert give(browser, device.code(later_s)).status_code == status


def test_codes_are_throttled_by_themselves_and_later_tried_again(
    at: Site, client: FlaskClient, wall: WallClock
) -> None:
    """Who knows the password guesses five codes in a quarter of an hour, whatever comes of them, and no more."""
    enter(client)
    device = turn_on(client, wall)
    guessing = at.app.test_client()
    sign_in(guessing)
    for _ in range(STRANGERS_CODES):
        assert give(guessing, "000000").status_code == 403

    refused = give(guessing, device.code())
    at.clock.forward(15)
    sign_in(guessing)
    taken = give(guessing, device.code())

    assert (refused.status_code, "Too many tries" in refused.text) == (429, True)
    assert taken.status_code == 303
    assert kinds(at).count("second_step_failed") == STRANGERS_CODES


def test_who_guesses_codes_keeps_no_known_browser_out(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """Even somebody who knows the password."""
    enter(client)
    device = turn_on(client, wall)
    guessing = at.app.test_client()
    sign_in(guessing)
    for _ in range(STRANGERS_CODES + 1):
        give(guessing, "000000")

    sign_in(client)
    assert give(client, device.code()).status_code == 303


def test_a_recovery_code_works_once_in_the_place_of_a_code(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """Ten are shown once; small letters and other separators do not matter."""
    enter(client)
    device = turn_on(client, wall)
    assert len(set(device.recovery_codes)) == 10
    typed = device.recovery_codes[3].lower().replace("-", " ")
    browsers = [at.app.test_client() for _ in range(2)]

    for browser in browsers:
        sign_in(browser)

    assert [give(browser, typed).status_code for browser in browsers] == [303, 403]
    entries = at.service.read(lambda session: log.entries(session, log.club_chain(at.club_id)))
    assert [one.detail for one in entries if one.kind == "signed_in"][-1] == {"second_factor": "recovery code"}
    assert "9 recovery codes are left" in client.get(OWN).text
    assert device.recovery_codes[3] not in str(entries)


def test_a_password_that_was_right_is_waited_for_ten_minutes(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """After them, and without any, one begins with the password."""
    enter(client)
    device = turn_on(client, wall)
    browser = at.app.test_client()
    sign_in(browser)
    at.clock.at += CODE_WITHIN

    assert give(browser, device.code()).headers["Location"] == "/admin/sign-in"
    assert give(at.app.test_client(), device.code()).headers["Location"] == "/admin/sign-in"


def test_turning_it_off_needs_the_password_and_a_code(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """Of a desk that somebody left open neither is known."""
    enter(client)
    device = turn_on(client, wall)

    wrong_password = post(client, f"{STEP_PATH}/off", password="not this one", code=device.code())
    wrong_code = post(client, f"{STEP_PATH}/off", password=ADMIN_PASSWORD, code="000000")
    off = post(client, f"{STEP_PATH}/off", password=ADMIN_PASSWORD, code=device.code())

    assert ("not your password" in wrong_password.text, wrong_password.status_code) == (True, 422)
    assert ("not a code of yours" in wrong_code.text, wrong_code.status_code) == (True, 422)
    assert off.status_code == 303
    assert sign_in(at.app.test_client()).headers["Location"] == FIRST_PAGE
    assert {"second_factor_off", "password_proof_failed", "code_proof_failed"} <= set(kinds(at))


def test_it_is_asked_for_only_once_it_was_confirmed(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """Who begins and goes away signs in as before; a wrong code confirms nothing."""
    enter(client)
    device = begin(client, wall)

    wrong = post(client, STEP_PATH, code="000000")

    assert (wrong.status_code, device.secret[:4] in wrong.text) == (422, True)
    assert sign_in(at.app.test_client()).headers["Location"] == FIRST_PAGE


def test_beginning_needs_the_password(at: Site, client: FlaskClient) -> None:
    """Else whoever finds the desk open could lock its admin out."""
    enter(client)

    refused = post(client, f"{STEP_PATH}/begin", password="not this one")

    assert (refused.status_code, "not your password" in refused.text) == (422, True)
    assert client.get(STEP_PATH).headers["Location"] == OWN


def test_new_recovery_codes_end_the_old_ones(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """For who has used most of them, or left them somewhere."""
    enter(client)
    device = turn_on(client, wall)

    made = post(client, f"{STEP_PATH}/recovery-codes", password=ADMIN_PASSWORD, code=device.code())

    assert made.text.count("<li>") == 10
    browser = at.app.test_client()
    sign_in(browser)
    assert give(browser, device.recovery_codes[0]).status_code == 403
    assert "recovery_codes_renewed" in kinds(at)


def test_an_owner_takes_the_second_step_of_another_off(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """For who lost device and codes: signed out everywhere, and in again by the password. Their own they cannot."""
    officer = at.app.test_client()
    enter(officer, AdminRole.OFFICER)
    turn_on(officer, wall)
    enter(client)
    turn_on(client, wall)
    ids = {one.email: one.id for one in at.service.read(lambda session: admins.listing(session, at.club_id))}

    own = post(client, f"/admin/accounts/{ids[EMAILS[AdminRole.OWNER]]}/second-step-off")
    done = post(client, f"/admin/accounts/{ids[EMAILS[AdminRole.OFFICER]]}/second-step-off")

    assert (own.status_code, done.status_code) == (409, 303)
    assert not is_in(officer)
    assert sign_in(officer, EMAILS[AdminRole.OFFICER]).headers["Location"] == FIRST_PAGE
    assert "second_factor_reset" in kinds(at)


def test_after_a_new_secret_key_no_code_is_right_and_recovery_codes_are(
    at: Site, client: FlaskClient, wall: WallClock
) -> None:
    """The secret cannot be opened any more: towards staying out, with a way in on paper."""
    enter(client)
    device = turn_on(client, wall)
    parts = at.app.extensions[EXTENSION]
    at.app.extensions[EXTENSION] = replace(parts, settings=replace(parts.settings, secret_key="t" * 40))
    browser = at.app.test_client()
    sign_in(browser)

    assert give(browser, device.code()).status_code == 403
    assert give(browser, device.recovery_codes[0]).status_code == 303


def test_the_secret_is_sealed_in_the_database(at: Site, client: FlaskClient, wall: WallClock) -> None:
    """Who reads a backup cannot make codes; nor does the log or a later page show it."""
    enter(client)
    device = turn_on(client, wall)

    admin_id = at.service.read(lambda session: admins.listing(session, at.club_id)[0].id)
    factor = at.service.read(lambda session: second_factors.get(session, admin_id))

    assert factor is not None
    assert device.secret not in factor.sealed
    assert device.secret not in client.get(OWN).text
    assert client.get(STEP_PATH).headers["Location"] == OWN
