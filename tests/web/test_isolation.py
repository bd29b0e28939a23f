"""Two clubs on one installation: neither sees nor changes anything of the other, by any route or method.

Skerry Bay has dives, an alarm, people, sites and all else that its desk can hold. Far Reef's owner and script then ask
for all of it by its true ids, and send every form that Skerry Bay's own owner could send.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import lxml.html
import pypdfium2
import pytest
from flask.testing import FlaskClient
from werkzeug.datastructures import MultiDict
from werkzeug.test import TestResponse

from service.operations.admin_roles import AdminRole
from service.web.access import Who, who_may
from tests.web.desk.entering import enter, form_token, sign_in
from tests.web.installation import Site
from tests.web.other_club import FAR_ADMIN_EMAIL, FAR_TOKEN, add_far_club
from tests.web.test_every_page import every_get, filled, overdue_paths, rows

# What only Skerry Bay's data holds: people, phones, a place, a vehicle, the club.
OURS = ("Anna Holt", "Cleo Marsh", "900101", "Lantern Steps", "Green van", "Skerry Bay")
METHODS = ("GET", "POST", "PUT", "PATCH", "DELETE")
BY_LINK = ("/admin/invitation/", "/admin/board/screen/")
SIGNING_OUT = {"/admin/sign-out", "/admin/own-account/sign-out-everywhere"}
SCRIPT = {"Authorization": f"Bearer {FAR_TOKEN}"}

Rows = dict[str, list[tuple[object, ...]]]


@dataclass(frozen=True)
class Form:
    """A form as a page of Skerry Bay's owner carries it, filled in as it stands there."""

    action: str
    fields: tuple[tuple[str, str], ...]


@pytest.fixture
def two_clubs(at: Site) -> Site:
    """The installation with both clubs."""
    add_far_club(at.service, at.clock.now())
    return at


@pytest.fixture
def stranger(two_clubs: Site) -> FlaskClient:
    """Far Reef's owner, signed in."""
    theirs = two_clubs.app.test_client()
    sign_in(theirs, FAR_ADMIN_EMAIL)
    return theirs


def of_users(at: Site, *who: Who) -> Iterator[tuple[str, str]]:
    """Method and path, with our true ids in it, of every route with an id in its path that these may use."""
    known = overdue_paths(at)
    for rule in at.app.url_map.iter_rules():
        if who_may(at.app, rule.endpoint) in who and rule.arguments:
            for method in sorted((rule.methods or set()) & set(METHODS)):
                yield method, filled(rule.rule, known)


def own_forms(at: Site, ours: FlaskClient) -> list[Form]:
    """Every form on every page of our desk, as its owner sees them; a page behind a link is whoever's has the link."""
    found: dict[Form, None] = {}
    for path in every_get(at):
        if not path.startswith("/admin") or path.startswith(BY_LINK):
            continue
        answer = ours.get(path, buffered=True)
        if answer.mimetype != "text/html" or answer.location is not None:
            continue
        for form in lxml.html.fromstring(answer.text).forms:
            if form.method == "POST":
                fields = tuple((name, str(value)) for name, value in form.form_values() if name != "desk")
                found[Form(form.get("action") or path, fields)] = None
    return list(found)


def blind_forms(at: Site) -> list[Form]:
    """For every post of the desk without an id in its path a form of our true ids under all the names they go by.

    Some forms are on a page only after another one was sent; this reaches what those lead to as well.
    """
    ours = rows(at)
    first = {table: str(ours[table][0][0]) for table in ("people", "admins", "dives", "messages")}
    fields = {"site": "LANTERN", "seq": "1", "other": first["people"], "phone": "+447700900101", "do": "take"}
    fields |= {
        "browser": str(ours["admin_sessions"][0][0]),
        "mark": first["admins"],
        "made_from": "1",
        "id": first["dives"],
    }
    rules = [rule for rule in at.app.url_map.iter_rules() if who_may(at.app, rule.endpoint) is Who.ADMIN]
    posts = [rule.rule for rule in rules if "POST" in (rule.methods or set()) and not rule.arguments]
    return [Form(path, tuple(fields.items())) for path in posts]


def ids_of_ours(before: Rows) -> set[str]:
    """What our rows are known by: long enough to be met by no chance."""
    return {"skerry"} | {
        row[0] for table in ("dives", "messages", "people", "sites") for row in before[table] if isinstance(row[0], str)
    }


def assert_ours_is_as_it_was(before: Rows, after: Rows) -> None:
    """No row of ours went or changed, and no new row has to do with us."""
    ids = ids_of_ours(before)
    theirs = {"'far'", "'club:far'", *(f"'{row[0]}'" for row in before["admins"] if FAR_ADMIN_EMAIL in row)}
    for table, rows_before in before.items():
        was, now = {repr(row) for row in rows_before}, {repr(row) for row in after[table]}
        assert [row for row in was - now if not any(one in row for one in theirs)] == [], table
        assert [row for row in now - was if any(one in row for one in ids)] == [], table


def test_no_route_opens_anything_of_another_club(two_clubs: Site, stranger: FlaskClient) -> None:
    """Far Reef's owner and script get 404 for every true id of ours by every method, as if it were not there."""
    asked, by_script = list(of_users(two_clubs, Who.ADMIN, Who.BOARD)), list(of_users(two_clubs, Who.SCRIPT))
    token = form_token(stranger)
    before = rows(two_clubs)
    for method, path in asked:
        answer = stranger.open(path, method=method, data={"desk": token} if method == "POST" else None)
        assert answer.status_code == 404, (method, path, answer.status_code)
    for method, path in by_script:
        answer = two_clubs.app.test_client().open(path, method=method, json={}, headers=SCRIPT)
        assert answer.status_code in {404, 415, 422}, (method, path, answer.status_code)
        assert not [words for words in OURS if words in answer.text], path

    assert len(asked) >= 2
    assert_ours_is_as_it_was(before, rows(two_clubs))


def words_of(answer: TestResponse) -> str:
    """What a reader of a page, or of a printed sheet, reads."""
    if answer.mimetype != "application/pdf":
        return answer.text
    with pypdfium2.PdfDocument(answer.data) as opened:
        text = opened[0].get_textpage()
        words = str(text.get_text_range())
        text.close()
    return words


def test_no_page_of_one_club_holds_a_word_of_the_other(two_clubs: Site, stranger: FlaskClient) -> None:
    """Every page of the desk and every answer of the API that needs no id, as Far Reef gets it."""
    shown = 0
    for rule in two_clubs.app.url_map.iter_rules():
        who = who_may(two_clubs.app, rule.endpoint)
        if rule.arguments or "GET" not in (rule.methods or set()) or who not in {Who.ADMIN, Who.BOARD, Who.SCRIPT}:
            continue
        client = two_clubs.app.test_client() if who is Who.SCRIPT else stranger
        answer: TestResponse = client.get(rule.rule, headers=SCRIPT if who is Who.SCRIPT else None, buffered=True)
        assert answer.status_code < 400, rule.rule
        assert not [words for words in OURS if words in words_of(answer)], rule.rule
        shown += 1
    assert shown >= 4


def test_no_form_of_our_desk_does_anything_in_other_hands(two_clubs: Site, stranger: FlaskClient) -> None:
    """Sent by Far Reef's owner with a true token of their own, each changes nothing of ours, whatever is answered."""
    ours = two_clubs.app.test_client()
    enter(ours, AdminRole.OWNER)
    forms = own_forms(two_clubs, ours)
    before = rows(two_clubs)

    for form in [*forms, *blind_forms(two_clubs)]:
        if form.action == "/admin/sign-out":
            continue
        if stranger.get("/admin/messages").status_code != 200:
            sign_in(stranger, FAR_ADMIN_EMAIL)  # the form before has signed them out
        fields = MultiDict([*form.fields, ("desk", form_token(stranger))])
        answer = stranger.post(form.action, data=fields, buffered=True)
        assert answer.status_code < 500, form
        assert_ours_is_as_it_was(before, rows(two_clubs))

    assert len(forms) > 2
