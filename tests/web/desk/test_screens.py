"""Board screens: what a browser that hangs in a clubhouse may see, how it becomes one, and how it ends."""

from __future__ import annotations

import re
from http import HTTPStatus

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.operations.admin_roles import AdminRole
from service.operations.board_screens import LINK_LASTS
from service.store import log
from tests.web.desk.entering import add_admin, enter, post
from tests.web.desk.test_sign_in import kinds
from tests.web.installation import Site
from tests.web.other_club import FAR_ADMIN_EMAIL, add_far_club

PAGE = {"Accept": "text/html"}
LIVE = {"Accept": "text/event-stream"}


def link_of(made: TestResponse) -> str:
    """The path that is shown once."""
    found = re.search(r"http://dives\.test(/admin/board/screen/[\w-]{22})<", made.text)
    assert found is not None
    return found[1]


def make(client: FlaskClient, name: str = "Kit room") -> str:
    """Make a screen as an officer; the path of its link."""
    enter(client, AdminRole.OFFICER)
    return link_of(post(client, "/admin/screens", name=name))


@pytest.fixture
def screen(at: Site, client: FlaskClient) -> FlaskClient:
    """Another browser, which is a board screen called Kit room."""
    path = make(client)
    browser = at.app.test_client()
    assert browser.post(path).status_code == 303
    return browser


def test_a_screen_shows_the_board_of_its_club_and_nothing_else(at: Site, board: str, screen: FlaskClient) -> None:
    """The rest of the desk asks it to sign in."""
    assert screen.get(board, headers=PAGE).text == "skerry Kit room -"
    assert screen.get("/admin/messages").status_code == 303
    assert screen.post(board).status_code == 403
    assert {"board_screen_made", "board_screen_opened"} <= set(kinds(at))


@pytest.mark.parametrize("role", list(AdminRole))
def test_an_admin_of_any_role_sees_the_board(client: FlaskClient, board: str, role: AdminRole) -> None:
    """By the session; there it may be looked at, and nothing is posted."""
    enter(client, role)

    assert client.get(board).text == f"skerry - {role}"
    assert client.post(board).status_code == 403


def test_nobody_is_asked_to_sign_in_and_a_page_that_asks_by_itself_is_told_that_it_may_not(
    client: FlaskClient, board: str
) -> None:
    """What a page fetches must not get a page to sign in, which it could take for the board."""
    assert client.get(board, headers=PAGE).headers["Location"] == "/admin/sign-in"
    assert client.get(board, headers=LIVE).status_code == 401


def test_a_link_makes_one_browser_the_screen(at: Site, client: FlaskClient) -> None:
    """Opening it changes nothing; the button does, and then the link is used up."""
    path = make(client)
    first, second = at.app.test_client(), at.app.test_client()

    assert "Kit room" in first.get(path).text
    assert first.post(path).status_code == 303
    assert (second.get(path).status_code, second.post(path).status_code) == (410, 410)


def test_a_link_that_nobody_opened_is_over_after_a_week(at: Site, client: FlaskClient) -> None:
    """The list says so."""
    path = make(client)
    at.clock.at += LINK_LASTS

    assert at.app.test_client().post(path).status_code == 410
    enter(client, AdminRole.OFFICER)
    assert "never opened, and is over" in client.get("/admin/screens").text


def test_a_screen_never_ends_by_itself(at: Site, board: str, screen: FlaskClient) -> None:
    """Half a year without a person, and its cookie is renewed by every page."""
    at.clock.forward(180 * 24 * 60)

    shown = screen.get(board, headers=PAGE)

    assert shown.text.startswith("skerry Kit room")
    cookie = shown.headers["Set-Cookie"]
    assert all(word in cookie for word in ("HttpOnly", "SameSite=Strict", f"Max-Age={400 * 24 * 3600}"))


def test_a_screen_that_is_taken_off_is_loudly_wrong_at_once(
    at: Site, client: FlaskClient, board: str, screen: FlaskClient
) -> None:
    """It does not look calm, and its next question is refused."""
    listed = client.get("/admin/screens").text
    path = re.search(r"/admin/screens/[\w-]+/off", listed)
    assert path is not None

    taken = post(client, path[0])

    assert "Taken off" in taken.text
    assert screen.get(board, headers=LIVE).status_code == HTTPStatus.FORBIDDEN
    page = screen.get(board, headers=PAGE)
    assert (page.status_code, "shows nothing any more" in page.text) == (403, True)
    assert "board_screen_revoked" in kinds(at)
    assert post(client, path[0]).status_code == 404


def test_a_screen_of_another_club_is_not_there(at: Site, client: FlaskClient, board: str, screen: FlaskClient) -> None:
    """Neither in the list nor by its id."""
    add_far_club(at.service, at.clock.now())
    path = re.search(r"/admin/screens/[\w-]+/off", client.get("/admin/screens").text)
    assert path is not None
    far = at.app.test_client()
    far.post("/admin/sign-in", data={"email": FAR_ADMIN_EMAIL, "password": "a long enough password"})

    assert "Kit room" not in far.get("/admin/screens").text
    assert post(far, path[0]).status_code == 404
    assert screen.get(board).status_code == 200


def test_a_screen_has_a_name(at: Site, client: FlaskClient) -> None:
    """Without one nobody would know later which one to take off."""
    enter(client, AdminRole.OFFICER)

    refused = post(client, "/admin/screens", name="  ")

    assert (refused.status_code, "Give it a name" in refused.text) == (422, True)
    assert "board_screen_made" not in kinds(at)


def test_the_link_is_kept_as_a_hash_and_is_not_in_the_log(at: Site, client: FlaskClient) -> None:
    """Who reads the database or the log cannot become a screen."""
    token = make(client).rpartition("/")[2]

    entries = at.service.read(lambda session: log.entries(session, log.club_chain(at.club_id)))

    assert [entry.detail for entry in entries if entry.kind == "board_screen_made"] == [{"screen": "Kit room"}]
    assert token not in str(entries)


def test_a_viewer_makes_no_screen(at: Site, client: FlaskClient) -> None:
    """It takes an officer."""
    add_admin(at.service, AdminRole.VIEWER)
    enter(client, AdminRole.VIEWER)

    assert post(client, "/admin/screens", name="Bar").status_code == 403
