"""Erasing a person at the desk: an owner reads what goes, waits and stays, and confirms it."""

from __future__ import annotations

from flask.testing import FlaskClient

from service.operations.admin_roles import AdminRole
from service.store import people
from tests.web.desk.entering import enter, post
from tests.web.installation import ANNA, CLEO, Site


def path_of(at: Site, phone: str) -> str:
    """The page of whoever has that phone."""
    found = at.service.read(lambda session: people.by_phone(session, at.club_id, phone))
    assert found is not None
    return f"/admin/people/{found.id}"


def test_an_owner_reads_what_it_does_and_erases_somebody(at: Site, client: FlaskClient) -> None:
    """A contact of Anna's with an open dive: Anna is named, the dive is waited for, and the list has no Cleo."""
    dive = at.filed()
    enter(client)
    path = path_of(at, CLEO)

    told = client.get(f"{path}/erase").text
    unsure = post(client, f"{path}/erase")
    erased = post(client, f"{path}/erase", sure="yes")

    assert "among the contacts of Anna Holt" in told
    assert f"Dive {dive.reference}, Lantern Steps: is open." in told
    assert "is no advice" in told
    assert (unsure.status_code, "Nothing changed" in unsure.text) == (422, True)
    assert erased.location == "/admin/people/erasures"
    listed = client.get("/admin/people/erasures").text
    assert "Waits: the phone that ends in 201" in listed
    assert f"Dive {dive.reference}, Lantern Steps: is open" in listed
    assert client.get(path).status_code == client.get(f"{path}/erase").status_code == 404
    assert "Cleo Marsh" not in client.get(path_of(at, ANNA)).text
    assert [contact.name for contact in at.now_of(dive).contacts] == ["Cleo Marsh", "Dov Lind"]


def test_an_officer_is_not_offered_to_erase(at: Site, client: FlaskClient) -> None:
    """It takes an owner, and they are told so who open it all the same."""
    enter(client, AdminRole.OFFICER)

    assert "erase" not in client.get(path_of(at, ANNA)).text.lower().replace("erases", "")
    assert client.get(f"{path_of(at, ANNA)}/erase").status_code == 403
