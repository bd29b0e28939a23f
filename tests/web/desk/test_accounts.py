"""Accounts of a club: inviting, accepting, changing, disabling; always with an owner, and never across clubs."""

from __future__ import annotations

import re

import pytest
from flask.testing import FlaskClient
from sqlalchemy import select
from sqlalchemy.orm import Session

from service.operations.admin_roles import AdminRole
from service.operations.inviting import LASTS, OPEN_MAX
from service.store import admins, log
from service.store.tables import AdminInvitationRow
from service.store.upsert import table
from service.web.desk.sign_in import FIRST_PAGE
from tests.web.desk.entering import EMAILS, add_admin, enter, post, sign_in
from tests.web.desk.test_sign_in import kinds
from tests.web.installation import ADMIN_EMAIL, RECEIVING, Site
from tests.web.other_club import FAR_ADMIN_EMAIL, add_far_club

IDA = "ida@skerry.example"
PASSWORD = "kelp and shingle"
TYPED = {"name": "Ida Fell", "phone": "07700 900444", "password": PASSWORD}
LIST = "/admin/accounts"


def invite(client: FlaskClient, email: str = IDA, role: str = "officer") -> str:
    """Invite somebody as the owner; the path of the link."""
    enter(client)
    found = re.search(r"http://dives\.test(/admin/invitation/[\w-]{22})<", _invited(client, email, role))
    assert found is not None
    return found[1]


def _invited(client: FlaskClient, email: str, role: str) -> str:
    return post(client, LIST, email=email, role=role).text


def admin_id(at: Site, email: str) -> str:
    """The id of the admin with that address."""
    row = at.service.read(lambda session: admins.by_email_ever(session, email))
    assert row is not None
    return row.id


def is_in(client: FlaskClient) -> bool:
    """Whether this browser is signed in."""
    return client.get("/admin/messages").status_code == 200


def test_who_is_invited_accepts_and_signs_in_with_that_role(at: Site, client: FlaskClient) -> None:
    """From the owner's link to the desk, and all of it in the log."""
    path = invite(client, f" {IDA.upper()} ")
    ida = at.app.test_client()

    shown = ida.get(path)
    accepted = ida.post(path, data=TYPED)
    entered = sign_in(ida, IDA, PASSWORD)

    assert "Edda Rowe invites you" in shown.text
    assert accepted.headers["Location"] == "/admin/sign-in?welcome=1"
    assert entered.headers["Location"] == FIRST_PAGE
    assert (ida.get("/admin/screens").status_code, ida.get(LIST).status_code) == (200, 403)
    row = at.service.read(lambda session: admins.by_email(session, IDA))
    assert row is not None
    assert (row.name, row.phone, row.role) == ("Ida Fell", "+447700900444", "officer")
    assert {"admin_invited", "invitation_accepted"} <= set(kinds(at))


def test_who_is_invited_gives_a_phone_of_their_own(at: Site, client: FlaskClient) -> None:
    """At the number that divers text to, nobody would hear of an alarm that was not answered."""
    path = invite(client)

    refused = at.app.test_client().post(path, data=TYPED | {"phone": RECEIVING})

    assert refused.status_code == 422
    assert "Divers text to this number: it would text itself." in refused.text
    assert "invitation_accepted" not in kinds(at)


def test_a_link_works_once(at: Site, client: FlaskClient) -> None:
    """Whoever finds it later finds nothing, not even whom it was for."""
    path = invite(client)
    assert at.app.test_client().post(path, data=TYPED).status_code == 303

    again = at.app.test_client().post(path, data={**TYPED, "name": "Somebody else"})

    assert (again.status_code, "no longer opens" in again.text, IDA in again.text) == (410, True, False)


def test_a_link_ends_after_seven_days(at: Site, client: FlaskClient) -> None:
    """Then it opens nothing, and is not in the list any more."""
    path = invite(client)
    at.clock.at += LASTS

    assert at.app.test_client().get(path).status_code == 410
    enter(client)
    assert IDA not in client.get(LIST).text


def test_a_second_invitation_ends_the_first_and_one_can_be_taken_back(at: Site, client: FlaskClient) -> None:
    """There is one open link to an address at most."""
    first, second = invite(client), invite(client, role="viewer")
    browser = at.app.test_client()
    assert (browser.get(first).status_code, browser.get(second).status_code) == (410, 200)
    taking = re.search(r"/admin/accounts/invitations/[\w-]+/take-back", client.get(LIST).text)
    assert taking is not None

    assert post(client, taking[0]).status_code == 303

    assert browser.get(second).status_code == 410
    assert post(client, taking[0]).status_code == 404
    assert "invitation_taken_back" in kinds(at)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"name": " "}, "Give your name"),
        ({"name": "x" * 61}, "at most 60 characters"),
        ({"phone": "07700 90044x"}, "error"),
        ({"password": "elevenchars"}, "at least 12 characters"),
        ({"password": "x" * 1025}, "at most 1024 characters"),
        ({"password": "skerrybay2027"}, "little more than names"),
    ],
    ids=["no name", "long name", "no phone number", "short", "long", "names"],
)
def test_what_cannot_be_accepted_stays_in_the_form_but_for_the_password(
    at: Site, client: FlaskClient, changes: dict[str, str], words: str
) -> None:
    """It says what to do, the link stays good, and there is no account yet."""
    path = invite(client)
    browser = at.app.test_client()

    refused = browser.post(path, data=TYPED | changes)

    assert (refused.status_code, words in refused.text) == (422, True)
    assert (TYPED | changes)["password"] not in refused.text
    assert at.service.read(lambda session: admins.by_email(session, IDA)) is None
    assert browser.post(path, data=TYPED).status_code == 303


def test_an_address_that_signs_in_elsewhere_is_refused_when_it_is_accepted(at: Site, client: FlaskClient) -> None:
    """The owner is not told who is an admin of other clubs; the link stays good for nothing else."""
    add_far_club(at.service, at.clock.now())
    path = invite(client, FAR_ADMIN_EMAIL)

    refused = at.app.test_client().post(path, data=TYPED)

    assert (refused.status_code, "This address cannot be used" in refused.text) == (422, True)
    row = at.service.read(lambda session: admins.by_email(session, FAR_ADMIN_EMAIL))
    assert row is not None
    assert row.club_id == "far"


@pytest.mark.parametrize(
    ("email", "role", "words"),
    [
        ("nobody", "viewer", "Give an address such as"),
        ("a b@skerry.example", "viewer", "Give an address such as"),
        (f"{'x' * 250}@e.example", "viewer", "Give an address such as"),
        (ADMIN_EMAIL, "viewer", "signs in with this address already"),
        (IDA, "king", "Choose one of the three roles"),
        (IDA, "", "Choose one of the three roles"),
    ],
)
def test_an_invitation_that_cannot_be_is_refused_in_words(
    at: Site, client: FlaskClient, email: str, role: str, words: str
) -> None:
    """What was typed stays in the form."""
    enter(client)

    refused = post(client, LIST, email=email, role=role)

    assert (refused.status_code, words in refused.text) == (422, True)
    assert f'value="{email}"' in refused.text
    assert "admin_invited" not in kinds(at)


def test_invitations_are_bounded(at: Site, client: FlaskClient) -> None:
    """Thirty at a time."""
    enter(client)
    for number in range(OPEN_MAX):
        assert post(client, LIST, email=f"ida{number}@skerry.example", role="viewer").status_code == 200

    refused = post(client, LIST, email=IDA, role="viewer")

    assert (refused.status_code, "Thirty invitations are open" in refused.text) == (422, True)


def test_a_new_role_holds_at_once_and_signs_out(at: Site, client: FlaskClient) -> None:
    """Who was an officer signs in again, as a viewer."""
    officer = at.app.test_client()
    enter(officer, AdminRole.OFFICER)
    enter(client)

    done = post(client, f"{LIST}/{admin_id(at, EMAILS[AdminRole.OFFICER])}/role", role="viewer")

    assert done.headers["Location"] == f"{LIST}?done=role"
    assert "The role is changed" in client.get(f"{LIST}?done=role").text
    assert not is_in(officer)
    sign_in(officer, EMAILS[AdminRole.OFFICER])
    assert officer.get("/admin/screens").status_code == 403
    changed = [one.detail for one in _log(at) if one.kind == "admin_role_changed"]
    assert changed == [{"of": "Ove Strand", "from": "officer", "to": "viewer"}]


@pytest.mark.parametrize("deed", ["role", "disable"])
def test_the_last_owner_stays_one(at: Site, client: FlaskClient, deed: str) -> None:
    """A club that nobody could administer is refused in words; with a second owner it is done."""
    enter(client)
    add_admin(at.service, AdminRole.OFFICER)
    path = f"{LIST}/{admin_id(at, ADMIN_EMAIL)}/{deed}"

    refused = post(client, path, role="viewer")
    post(client, f"{LIST}/{admin_id(at, EMAILS[AdminRole.OFFICER])}/role", role="owner")
    done = post(client, path, role="viewer")

    assert (refused.status_code, "last owner of the club" in refused.text) == (409, True)
    assert done.status_code == 303
    assert not is_in(client)


def test_a_disabled_admin_is_out_and_an_invitation_brings_them_back(at: Site, client: FlaskClient) -> None:
    """With what they type then, and not with the old password."""
    officer = at.app.test_client()
    email = EMAILS[AdminRole.OFFICER]
    enter(officer, AdminRole.OFFICER)
    enter(client)

    post(client, f"{LIST}/{admin_id(at, email)}/disable")

    assert not is_in(officer)
    assert sign_in(officer, email).status_code == 403
    assert email not in client.get(LIST).text
    assert officer.post(invite(client, email, "viewer"), data=TYPED).status_code == 303
    assert sign_in(officer, email).status_code == 403
    assert sign_in(officer, email, PASSWORD).status_code == 303
    assert officer.get("/admin/screens").status_code == 403


def test_an_owner_signs_another_admin_out(at: Site, client: FlaskClient) -> None:
    """On every browser; the account stays as it is."""
    officer = at.app.test_client()
    enter(officer, AdminRole.OFFICER)
    enter(client)

    post(client, f"{LIST}/{admin_id(at, EMAILS[AdminRole.OFFICER])}/sign-out")

    assert not is_in(officer)
    assert sign_in(officer, EMAILS[AdminRole.OFFICER]).status_code == 303
    assert "admin_signed_out" in kinds(at)


@pytest.mark.parametrize("deed", ["role", "sign-out", "second-step-off", "disable"])
def test_an_admin_of_another_club_is_not_there(at: Site, client: FlaskClient, deed: str) -> None:
    """Neither in the list nor by the id."""
    add_far_club(at.service, at.clock.now())
    enter(client)

    refused = post(client, f"{LIST}/{admin_id(at, FAR_ADMIN_EMAIL)}/{deed}", role="viewer")

    assert refused.status_code == 404
    assert FAR_ADMIN_EMAIL not in client.get(LIST).text
    row = at.service.read(lambda session: admins.by_email(session, FAR_ADMIN_EMAIL))
    assert row is not None
    assert row.role == "owner"


def test_the_link_is_kept_as_a_hash_and_is_not_in_the_log(at: Site, client: FlaskClient) -> None:
    """Who reads the database or the log cannot accept it."""
    token = invite(client).rpartition("/")[2]

    def everything(session: Session) -> str:
        stored = [tuple(row) for row in session.execute(select(table(AdminInvitationRow)))]
        return str(stored) + str(log.entries(session, log.club_chain(at.club_id)))

    assert token not in at.service.read(everything)


def _log(at: Site) -> list[log.Entry]:
    return at.service.read(lambda session: log.entries(session, log.club_chain(at.club_id)))
