"""The desk: who gets in, who does not, and that nobody else is ever kept out by it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pyotp
import pytest
from flask.testing import FlaskClient
from sqlalchemy.orm import Session

from service.operations import own_account
from service.operations.board_screens import make_screen
from service.operations.one_time_codes import secrets_sealer
from service.operations.own_account import begin_second_factor, begun_second_factor, confirm_second_factor
from service.operations.signing_in import IDLE_MAX, LASTS, as_signed_in
from service.store import admins, log, passwords, second_factors
from service.store.passwords import hash_password, matches
from service.web import create_app
from service.web.context import EXTENSION
from tests.web.desk.entering import form_token, sign_in
from tests.web.installation import ADMIN_EMAIL, ADMIN_PASSWORD, Site

CLUB_ID = "skerry"
SINCE = datetime(2027, 6, 1, 9, tzinfo=UTC)


def kinds(at: Site) -> list[str]:
    """The kinds of the entries in the club's log."""
    return [entry.kind for entry in at.service.read(lambda session: log.entries(session, log.club_chain(CLUB_ID)))]


def test_an_admin_signs_in_and_sees_the_messages(at: Site, client: FlaskClient) -> None:
    """The cookie is kept from scripts and other sites."""
    entered = sign_in(client, ADMIN_EMAIL.upper())
    shown = client.get(entered.headers["Location"])

    cookie = entered.headers["Set-Cookie"]
    assert entered.status_code == 303
    assert all(word in cookie for word in ("HttpOnly", "SameSite=Strict", "Path=/"))
    assert shown.status_code == 200
    assert "signed_in" in kinds(at)


@pytest.mark.parametrize(
    ("email", "password"), [(ADMIN_EMAIL, "wrong"), ("nobody@example.org", ADMIN_PASSWORD), (ADMIN_EMAIL, ""), ("", "")]
)
def test_a_wrong_pair_is_told_nothing_more(client: FlaskClient, email: str, password: str) -> None:
    """The same words, whichever of the two is wrong."""
    refused = sign_in(client, email, password)

    assert refused.status_code == 403
    assert "do not belong together" in refused.text
    assert client.get("/admin/messages").status_code == 303


def test_a_failed_try_is_in_the_log(at: Site, client: FlaskClient) -> None:
    """Of the admin whose password was tried."""
    sign_in(client, ADMIN_EMAIL, "wrong")

    assert "sign_in_failed" in kinds(at)


def test_too_many_tries_wait_and_keep_nobody_from_an_alarm(at: Site, client: FlaskClient) -> None:
    """Guessing ends after ten tries; a contact's page opens all the while, and later the admin may try again."""
    dive = at.filed()
    for _ in range(10):
        sign_in(client, ADMIN_EMAIL, "wrong")

    tried = sign_in(client)
    contact = client.get(at.alarm_path(dive))
    at.clock.forward(16)

    assert tried.status_code == 429
    assert contact.status_code == 200
    assert sign_in(client).status_code == 303


def test_signing_out_ends_the_session(at: Site, client: FlaskClient) -> None:
    """Also for whoever kept a copy of the cookie."""
    cookie = sign_in(client).headers["Set-Cookie"].partition(";")[0]

    left = client.post("/admin/sign-out", data={"desk": form_token(client)})
    copied = at.app.test_client().get("/admin/messages", headers={"Cookie": cookie})

    assert left.status_code == 303
    assert copied.status_code == 303


@pytest.mark.parametrize(("away", "still"), [(IDLE_MAX - timedelta(minutes=1), 200), (IDLE_MAX, 303)])
def test_a_session_ends_when_nobody_uses_it(at: Site, client: FlaskClient, away: timedelta, still: int) -> None:
    """Twelve hours without a page."""
    sign_in(client)

    at.clock.forward(away.total_seconds() / 60)

    assert client.get("/admin/messages").status_code == still


def test_a_session_ends_after_a_week_in_any_case(at: Site, client: FlaskClient) -> None:
    """However often it is used."""
    sign_in(client)
    for _ in range(int(LASTS / timedelta(hours=6)) - 1):
        at.clock.forward(6 * 60)
        assert client.get("/admin/messages").status_code == 200

    at.clock.forward(6 * 60)

    assert client.get("/admin/messages").status_code == 303


def test_a_form_of_another_site_changes_nothing(client: FlaskClient) -> None:
    """It cannot know the session's own token."""
    sign_in(client)

    refused = client.post("/admin/sign-out", data={"desk": "0" * 32})

    assert refused.status_code == 403
    assert client.get("/admin/messages").status_code == 200


def test_what_is_pressed_after_the_session_has_ended_is_told_to_be_not_done_and_keeps_the_words(
    at: Site, client: FlaskClient
) -> None:
    """An officer whose page stood open overnight must not take the form to sign in for an answer."""
    sign_in(client)
    dive = at.filed()
    page = client.get(f"/admin/dives/{dive.id}").text
    fields = {"desk": form_token(client), "do": "note", "version": "2", "note": "Their van is <b>gone</b>"}
    assert 'value="note"' in page
    at.clock.forward(IDLE_MAX.total_seconds() / 60)

    answer = client.post(f"/admin/dives/{dive.id}", data=fields)

    assert answer.status_code == 403
    assert "<h1>Nothing was done</h1>" in answer.text
    assert "You are signed out here. Sign in, and do it again." in answer.text
    assert "Their van is &lt;b&gt;gone&lt;/b&gt;" in answer.text
    assert at.now_of(dive).version == 1


def test_what_is_pressed_on_a_page_of_before_this_sign_in_keeps_the_words_but_no_password(client: FlaskClient) -> None:
    """The page in another tab is of another session."""
    sign_in(client)
    old = form_token(client)
    sign_in(client)
    typed = {"desk": old, "note": "A bottle drifted in", "password": "a secret of mine", "recovery_code": "1234-5678"}

    answer = client.post("/admin/dives/x", data=typed)

    assert answer.status_code == 403
    assert "That page is from before you signed in here" in answer.text
    assert "A bottle drifted in" in answer.text
    assert "a secret of mine" not in answer.text
    assert "1234-5678" not in answer.text
    assert old not in answer.text


def test_an_admin_who_is_disabled_is_out_at_once(at: Site, client: FlaskClient) -> None:
    """Not only at the next sign-in."""
    sign_in(client)
    admin_id = at.service.read(lambda session: admins.listing(session, CLUB_ID)[0].id)

    at.service.write(lambda session: admins.disable(session, admin_id, at.clock.now()))

    assert client.get("/admin/messages").status_code == 303
    assert sign_in(client).status_code == 403


def _changed(session: Session, admin_id: str) -> None:
    admins.set_password(session, admin_id, hash_password("four other words in a row"))
    own_account.end_everything(session, admin_id)


def _second_step(session: Session, admin_id: str) -> None:
    second_factors.begin(session, admin_id, "sealed", SINCE)
    second_factors.confirm(session, admin_id, 1, SINCE)


@pytest.mark.parametrize("change", [_changed, _second_step], ids=["another password", "a second step"])
def test_what_changed_while_a_password_was_checked_counts(
    at: Site, client: FlaskClient, monkeypatch: pytest.MonkeyPatch, change: Callable[[Session, str], None]
) -> None:
    """A check takes a tenth of a second; whoever is signed out in it must not be in after it."""

    def slow(hashed: str | None, password: str) -> bool:
        right = matches(hashed, password)
        admin_id = at.service.read(lambda session: admins.listing(session, CLUB_ID)[0].id)
        at.service.write(lambda session: change(session, admin_id))
        return right

    monkeypatch.setattr(passwords, "matches", slow)

    answer = sign_in(client)

    assert answer.status_code == 403
    assert client.get("/admin/messages").status_code == 303


def test_under_https_every_cookie_is_bound_to_this_host(at: Site) -> None:
    """The prefix has browsers refuse what another host of the domain has set, and nothing goes out in the clear."""
    settings = replace(at.app.extensions[EXTENSION].settings, public_url="https://dives.test")
    app = create_app(at.service, settings, ())
    owner = at.service.read(lambda session: as_signed_in(session, admins.listing(session, CLUB_ID)[0]))
    seal = secrets_sealer(settings.secret_key)
    screen = make_screen(at.service, owner, "Kit room")

    entered = sign_in(app.test_client())
    opened = app.test_client().post(f"/admin/board/screen/{screen}")
    begin_second_factor(at.service, owner, ADMIN_PASSWORD, seal)
    begun = begun_second_factor(at.service, owner, seal)
    assert begun is not None
    wall_now = datetime(2027, 6, 1, 10, 0, tzinfo=UTC)
    confirm_second_factor(at.service, owner, "", pyotp.TOTP(begun.secret).at(wall_now), seal, wall_now)
    halfway = sign_in(app.test_client())

    cookies = [cookie for answer in (entered, opened, halfway) for cookie in answer.headers.getlist("Set-Cookie")]
    assert [cookie.partition("=")[0] for cookie in cookies] == [
        *("__Host-desk", "__Host-desk-browser", "__Host-board", "__Host-desk-step")
    ]
    for cookie in cookies:
        assert {"Secure", "HttpOnly", "Path=/", "SameSite=Strict"} <= {part.strip() for part in cookie.split(";")}
        assert "Domain" not in cookie
    assert entered.headers["Strict-Transport-Security"] == "max-age=31536000"
