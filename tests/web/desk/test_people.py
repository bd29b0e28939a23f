"""People at the desk: found, added, changed, asked, merged, imported, exported and removed by an officer."""

from __future__ import annotations

import re
from io import BytesIO

import pytest
from flask.testing import FlaskClient
from werkzeug.test import TestResponse

from service.operations.admin_roles import AdminRole
from service.store import outbox, people
from service.web.desk.people_files import UPLOAD_MAX
from tests.web.desk.entering import enter, form_token, post
from tests.web.installation import ANNA, CLEO, DOV, Site
from tests.web.reading import Page

UNA = {
    "name": "Una Fell",
    "phone": "07700 900188",
    "language": "de",
    "notes": "Key holder",
    "contact_1_name": "Ivo Reed",
    "contact_1_phone": "07700 900187",
}
LIST = b"name,phone\nUna Fell,07700 900188\nNobody,12\n"


@pytest.fixture
def officer(client: FlaskClient) -> FlaskClient:
    """An officer of the club."""
    enter(client, AdminRole.OFFICER)
    return client


def path_of(at: Site, phone: str) -> str:
    """The page of whoever has that phone."""
    found = at.service.read(lambda session: people.by_phone(session, at.club_id, phone))
    assert found is not None
    return f"/admin/people/{found.id}"


def mark_at(client: FlaskClient, path: str) -> str:
    """What the form of a person was made from."""
    [mark] = re.findall(r'name="made_from" value="(\w+)"', client.get(f"{path}/change").text)
    return str(mark)


def upload(client: FlaskClient, content: bytes) -> TestResponse:
    """Choose a file and send the form."""
    fields = {"desk": form_token(client), "list": (BytesIO(content), "people.csv")}
    return client.post("/admin/people/import", data=fields, content_type="multipart/form-data")


def test_an_officer_adds_somebody_asks_their_contact_changes_and_removes_them(at: Site, officer: FlaskClient) -> None:
    """Every step leads to the next, and the list shows what is known."""
    added = post(officer, "/admin/people/new", **UNA)
    path = added.location or ""
    shown = officer.get(path).text
    assert "Key holder" in shown
    assert "Not asked yet" in shown

    asked = post(officer, f"{path}/ask", phone="+447700900187")
    assert "Ivo Reed is asked by text" in asked.text
    again = post(officer, f"{path}/ask", phone="+447700900187")
    assert (again.status_code, "less than 30 days ago" in again.text) == (422, True)

    mark = {"made_from": mark_at(officer, path)}
    changed = post(officer, f"{path}/change", **UNA | mark | {"name": "Una Fellows", "contact_2_name": "Dov Lind"})
    assert changed.status_code == 422
    assert 'value="Una Fellows"' in changed.text
    assert "#contact_2_phone" in Page(changed.text).addresses()
    post(officer, f"{path}/change", **UNA | mark | {"name": "Una Fellows"})
    post(officer, f"{path}/consent", do="given")
    listed = officer.get("/admin/people?find=900187").text
    assert "Una Fellows" in listed
    assert "Anna Holt" not in listed

    unsure = post(officer, f"{path}/remove")
    assert (unsure.status_code, officer.get(path).status_code) == (422, 200)
    assert post(officer, f"{path}/remove", sure="yes").location == "/admin/people?done=removed"
    assert officer.get(path).status_code == 404


def test_who_saves_a_form_of_before_sees_how_it_stands_now_and_may_save_again(officer: FlaskClient) -> None:
    """Nothing is written over unseen."""
    path = post(officer, "/admin/people/new", **UNA).location or ""
    before = {"made_from": mark_at(officer, path)}
    post(officer, f"{path}/change", **UNA | before | {"contact_1_phone": "07700 900186"})

    late = post(officer, f"{path}/change", **UNA | before | {"notes": "Has the key"})

    assert late.status_code == 409
    assert "Contact 1 phone: +447700900186 stands now, you typed 07700 900187." in late.text
    assert "Has the key" in late.text
    assert "Key holder" in officer.get(path).text
    [mark] = re.findall(r'name="made_from" value="(\w+)"', late.text)
    again = post(officer, f"{path}/change", **UNA | {"made_from": mark, "notes": "Has the key"})
    assert again.status_code == 303
    assert "Has the key" in officer.get(path).text


def test_a_new_number_is_followed_and_the_page_says_by_whom(at: Site, officer: FlaskClient) -> None:
    """And which open dives keep the old one."""
    dive, cleo = at.filed(), path_of(at, CLEO)

    typed = {"name": "Cleo Marsh", "phone": "07700 900186", "made_from": mark_at(officer, cleo)}
    changed = post(officer, f"{cleo}/change", **typed)

    assert changed.status_code == 200
    assert f"an alarm of theirs goes there: {dive.reference}. Phone them." in changed.text
    assert "Counts on the new number now: Anna Holt." in changed.text
    assert "900186" in officer.get(path_of(at, ANNA)).text


def test_a_viewer_looks_and_is_offered_nothing_to_change(at: Site, client: FlaskClient) -> None:
    """Buttons that they could not use are not there."""
    enter(client, AdminRole.VIEWER)

    for path in ("/admin/people", path_of(at, ANNA), "/admin/people/duplicates"):
        page = client.get(path)
        assert page.status_code == 200
        forms = re.findall(r'<form method="post" action="([^"]+)"', page.text)
        assert forms == ["/admin/sign-out"], path


def test_a_list_is_looked_at_and_taken_over(officer: FlaskClient) -> None:
    """What is refused is said before, and left out."""
    shown = upload(officer, LIST).text
    assert "1 added, 0 changed, 0 as they are, 1 refused. Nothing has happened yet." in shown
    assert "Take over 1, leave out 1" in shown
    mark = re.search(r'name="mark" value="([0-9a-f]+)"', shown)
    assert mark is not None

    taken = post(officer, "/admin/people/import/confirm", mark=mark[1], do="take")

    assert taken.location == "/admin/people?done=imported"
    assert "Una Fell" in officer.get("/admin/people").text
    twice = post(officer, "/admin/people/import/confirm", mark=mark[1], do="take")
    assert (twice.status_code, "Choose the file once more" in twice.text) == (422, True)


def test_a_list_that_is_not_wanted_is_forgotten(officer: FlaskClient) -> None:
    """Nothing happened, and nothing is kept."""
    upload(officer, LIST)

    assert post(officer, "/admin/people/import/confirm", do="leave").location == "/admin/people"
    assert "Una Fell" not in officer.get("/admin/people").text


def test_what_is_no_list_is_refused_and_what_is_too_large_is_not_read(officer: FlaskClient) -> None:
    """A megabyte is taken here, and 64 kB elsewhere."""
    nothing = upload(officer, b"")
    large = upload(officer, b"name,phone\n" + b"x" * 200_000)
    too_large = officer.post(
        "/admin/people/import", data=b"x" * (UPLOAD_MAX + 1), content_type="multipart/form-data; boundary=x"
    )

    assert (nothing.status_code, "is empty" in nothing.text) == (422, True)
    assert (large.status_code, "nobody in the file" in large.text) == (422, False)
    assert too_large.status_code == 413
    assert post(officer, "/admin/people/new", name="x" * 70_000).status_code == 413


def test_the_export_is_a_file_for_a_spreadsheet(officer: FlaskClient) -> None:
    """With a byte order mark, a name, and no formula."""
    answer = post(officer, "/admin/people/export")

    assert answer.headers["Content-Disposition"] == 'attachment; filename="people.csv"'
    assert answer.data.startswith(b"\xef\xbb\xbfname,phone,language")
    assert b"Anna Holt,'+447700900101" in answer.data


def test_two_entries_are_looked_at_side_by_side_and_merged(at: Site, officer: FlaskClient) -> None:
    """From the list of duplicates; which phone is theirs has to be said."""
    other = post(officer, "/admin/people/new", **UNA | {"name": "Anna Holt"}).location or ""
    link = re.search(r'href="(/admin/people/\w+/merge\?with=\w+)"', officer.get("/admin/people/duplicates").text)
    assert link is not None
    assert "Ivo Reed" in officer.get(link[1]).text
    path, other_id = path_of(at, ANNA), other.rpartition("/")[2]

    unsaid = post(officer, f"{path}/merge", other=other_id)
    merged = post(officer, f"{path}/merge", other=other_id, phone="kept")

    assert (unsaid.status_code, "Say which phone is theirs" in unsaid.text) == (422, True)
    assert merged.location == path
    assert officer.get(other).status_code == 404
    assert "Ivo Reed" in officer.get(path).text


def test_nothing_at_the_desk_changes_a_dive_that_is_filed(at: Site, officer: FlaskClient) -> None:
    """Its contacts are those that it was filed with, and they are told."""
    dive = at.filed()

    post(officer, f"{path_of(at, ANNA)}/remove", sure="yes")
    post(officer, f"{path_of(at, CLEO)}/remove", sure="yes")

    assert [contact.phone for contact in at.now_of(dive).contacts] == [CLEO, DOV]
    assert at.service.read(lambda session: outbox.of_dive(session, dive.id))
