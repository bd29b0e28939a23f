"""One's own account: the password, and the browsers on which one is signed in."""

from __future__ import annotations

import re

import pytest
from flask.testing import FlaskClient

from service.operations.admin_roles import AdminRole
from service.store import admins, opt_outs
from service.web.desk.browsers import browser_words
from tests.web.desk.entering import EMAILS, enter, post, sign_in
from tests.web.desk.test_sign_in import kinds
from tests.web.installation import ADMIN_EMAIL, ADMIN_PASSWORD, RECEIVING, Site

OWN = "/admin/own-account"
NEW = "shingle under the tide"


def is_in(client: FlaskClient) -> bool:
    """Whether this browser is signed in."""
    return client.get("/admin/messages").status_code == 200


def test_a_new_password_needs_the_old_one_and_signs_the_others_out(at: Site, client: FlaskClient) -> None:
    """The browser that changes it stays; the old password opens nothing any more."""
    other = at.app.test_client()
    enter(other)
    enter(client)

    done = post(client, f"{OWN}/password", old_password=ADMIN_PASSWORD, new_password=NEW)

    assert done.headers["Location"] == f"{OWN}?done=password"
    assert (is_in(client), is_in(other)) == (True, False)
    assert sign_in(other).status_code == 403
    assert sign_in(other, ADMIN_EMAIL, NEW).status_code == 303
    assert "password_changed" in kinds(at)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("not this one", NEW, "This is not your password"),
        (ADMIN_PASSWORD, "elevenchars", "at least 12 characters"),
        (ADMIN_PASSWORD, "eddarowe skerry!", "little more than names"),
        (ADMIN_PASSWORD, ADMIN_PASSWORD, "the password that you have"),
        (f"{ADMIN_PASSWORD} ", NEW, "This is not your password"),
        (ADMIN_PASSWORD.upper(), NEW, "This is not your password"),
    ],
)
def test_a_password_that_cannot_be_changed_is_told_why(
    at: Site, client: FlaskClient, old: str, new: str, words: str
) -> None:
    """Passwords count just as they were typed; nothing changes, and what was typed is not shown."""
    enter(client)

    refused = post(client, f"{OWN}/password", old_password=old, new_password=new)

    assert (refused.status_code, words in refused.text) == (422, True)
    assert new not in refused.text
    assert sign_in(at.app.test_client()).status_code == 303


def test_old_passwords_are_not_guessed_at_a_desk_that_was_left_open(at: Site, client: FlaskClient) -> None:
    """Ten in a quarter of an hour, then the right one is not looked at either."""
    enter(client)
    for _ in range(10):
        post(client, f"{OWN}/password", old_password="guess", new_password=NEW)

    refused = post(client, f"{OWN}/password", old_password=ADMIN_PASSWORD, new_password=NEW)
    at.clock.forward(16)

    assert "Too many tries" in refused.text
    assert post(client, f"{OWN}/password", old_password=ADMIN_PASSWORD, new_password=NEW).status_code == 303
    assert kinds(at).count("password_proof_failed") == 10


def test_a_new_phone_needs_the_password_and_is_told_on_from_then_on(at: Site, client: FlaskClient) -> None:
    """A number that is no longer theirs must not be where an unanswered alarm ends."""
    enter(client)
    typed = {"name": "Edda Rowe-Fell", "phone": "07700 900555"}

    wrong = post(client, f"{OWN}/details", password="not this one", **typed)
    done = post(client, f"{OWN}/details", password=ADMIN_PASSWORD, **typed)

    assert (wrong.status_code, "not your password" in wrong.text, typed["phone"] in wrong.text) == (422, True, True)
    assert done.headers["Location"] == f"{OWN}?done=details"
    told = at.service.read(lambda session: admins.admins_to_tell(session, at.club_id))
    assert [(one.name, one.phone) for one in told] == [("Edda Rowe-Fell", "+447700900555")]
    assert "Sign out Edda Rowe-Fell" in client.get(OWN).text
    assert "own_details_changed" in kinds(at)


def test_a_phone_that_opted_out_is_said_to_hear_nothing(at: Site, client: FlaskClient) -> None:
    """To its owner, and to the owners of the club, who would else count on it when no contact answers."""
    enter(client)
    deaf, nobody = "opted out of our texts", "No admin has a phone that our texts reach"
    assert deaf not in client.get(OWN).text
    assert nobody not in client.get("/admin/accounts").text
    phone = "+447700900301"
    at.service.write(lambda session: opt_outs.opt_out(session, RECEIVING, phone, at.clock.at))

    own, listed = client.get(OWN).text, client.get("/admin/accounts").text

    assert (deaf in own, deaf in listed, nobody in listed) == (True, True, True)
    at.service.write(lambda session: opt_outs.opt_in(session, RECEIVING, phone, at.clock.at))
    assert deaf not in client.get("/admin/accounts").text


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"phone": "07700 90055"}, "error"),
        ({"phone": RECEIVING}, "Divers text to this number: it would text itself."),
        ({"name": ""}, "Give your name"),
        ({"name": "x" * 61}, "at most 60"),
    ],
)
def test_a_name_or_a_phone_that_cannot_be_is_told_why(
    at: Site, client: FlaskClient, changes: dict[str, str], words: str
) -> None:
    """What was typed stays, and nothing changes."""
    enter(client)
    typed = {"name": "Edda Rowe", "phone": "", "password": ADMIN_PASSWORD} | changes

    refused = post(client, f"{OWN}/details", **typed)

    assert (refused.status_code, words in refused.text) == (422, True)
    assert "own_details_changed" not in kinds(at)


def test_the_browsers_are_listed_and_each_can_be_signed_out(at: Site, client: FlaskClient) -> None:
    """By what each calls itself; the cookie itself is not on the page."""
    other = at.app.test_client()
    agent = {"User-Agent": "Mozilla/5.0 (Android 15; Mobile; rv:140.0) Gecko/140.0 Firefox/140.0"}
    cookie = other.post("/admin/sign-in", data={"email": ADMIN_EMAIL, "password": ADMIN_PASSWORD}, headers=agent)
    enter(client)
    page = client.get(OWN).text
    handles = re.findall(r"/admin/own-account/browsers/([0-9a-f]{16})/sign-out", page)

    assert len(handles) == 1
    assert "Firefox on Android" in page
    assert cookie.headers["Set-Cookie"].partition("=")[2].partition(";")[0] not in page
    assert post(client, f"{OWN}/browsers/{handles[0]}/sign-out").status_code == 303
    assert (is_in(client), is_in(other)) == (True, False)
    assert post(client, f"{OWN}/browsers/{handles[0]}/sign-out").status_code == 404


@pytest.mark.parametrize("handle", ["", "%", "f" * 16, "f" * 64])
def test_a_browser_of_nobody_is_not_there(client: FlaskClient, handle: str) -> None:
    """A handle is the whole of it: the beginning of one names nothing."""
    enter(client)

    assert post(client, f"{OWN}/browsers/{handle}/sign-out").status_code in {404, 308}
    assert is_in(client)


def test_one_admin_does_not_sign_another_out_by_a_handle(at: Site, client: FlaskClient) -> None:
    """Sessions are looked for among one's own."""
    officer = at.app.test_client()
    enter(officer, AdminRole.OFFICER)
    second = at.app.test_client()
    enter(second, AdminRole.OFFICER)
    handle = re.search(r"/browsers/([0-9a-f]{16})/sign-out", officer.get(OWN).text)
    assert handle is not None
    enter(client)

    assert post(client, f"{OWN}/browsers/{handle[1]}/sign-out").status_code == 404
    assert is_in(second)


def test_signing_out_everywhere_means_here_too(at: Site, client: FlaskClient) -> None:
    """And no browser is known any more; others' sessions go on."""
    other, officer = at.app.test_client(), at.app.test_client()
    enter(other)
    enter(officer, AdminRole.OFFICER)
    enter(client)

    done = post(client, f"{OWN}/sign-out-everywhere")

    assert done.headers["Location"] == "/admin/sign-in"
    assert (is_in(client), is_in(other), is_in(officer)) == (False, False, True)
    assert sign_in(officer, EMAILS[AdminRole.OFFICER]).status_code == 303
    assert "signed_out_everywhere" in kinds(at)


def test_signing_in_again_makes_a_new_session_and_ends_the_one_before(at: Site, client: FlaskClient) -> None:
    """A cookie that somebody had put into this browser is worth nothing afterwards."""
    enter(client)
    before = client.get_cookie("desk")
    assert before is not None

    enter(client)

    after = client.get_cookie("desk")
    assert after is not None
    assert after.value != before.value
    kept = at.app.test_client()
    kept.set_cookie("desk", before.value)
    assert not is_in(kept)


@pytest.mark.parametrize(
    ("agent", "words"),
    [
        ("Mozilla/5.0 (iPhone; CPU iPhone OS 18_0 like Mac OS X) Version/18.0 Mobile/15E148 Safari/604.1", "an iPhone"),
        ("Mozilla/5.0 (Windows NT 10.0) Chrome/142.0.0.0 Safari/537.36 Edg/142.0", "Edge on Windows"),
        ("Mozilla/5.0 (X11; Linux x86_64) Chrome/142.0.0.0 Safari/537.36", "Chrome on Linux"),
        ("a script on a Macintosh", "A browser on a Mac"),
        ("", ""),
        ("\x00<script>", ""),
    ],
)
def test_a_browser_is_named_by_what_it_calls_itself(agent: str, words: str) -> None:
    """Only by words of ours: what else is in the header is on no page."""
    assert browser_words(agent).endswith(words)
    assert len(browser_words(agent)) < 60
