"""Erasing a person at the desk: an owner reads what goes, waits and stays, and confirms it."""

from __future__ import annotations

from flask.testing import FlaskClient
from sqlalchemy import update
from sqlalchemy.orm import Session

from service.operations.admin_roles import AdminRole
from service.operations.gateway import InboundText
from service.operations.inbound import answer_text
from service.operations.receiving import receive_text
from service.store import clubs, people
from service.store.tables import AdminRow
from tests.web.desk.entering import enter, post
from tests.web.installation import ANNA, CLEO, RECEIVING, Site

LENT = "+447700900188"  # of somebody in no plan


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
    assert "Their name where it stands without this phone" in told
    assert "daily canary dive" not in told
    assert "account at the desk" not in told
    assert "is no advice" in told
    assert (unsure.status_code, "Nothing changed" in unsure.text) == (422, True)
    assert erased.location == "/admin/people/erasures"
    listed = client.get("/admin/people/erasures").text
    assert "Waits: the phone that ends in 201" in listed
    assert f"Dive {dive.reference}, Lantern Steps: is open" in listed
    assert client.get(path).status_code == client.get(f"{path}/erase").status_code == 404
    assert "Cleo Marsh" not in client.get(path_of(at, ANNA)).text
    assert [contact.name for contact in at.now_of(dive).contacts] == ["Cleo Marsh", "Dov Lind"]


def test_what_an_owner_has_to_see_to_first_is_said_before_the_button(at: Site, client: FlaskClient) -> None:
    """The phone of the canary dive, or of an account, stays; a dive that it texted about is waited for."""
    dive = at.filed()
    enter(client)
    text = InboundText("shore", "SM1", LENT, RECEIVING, f"OUT {dive.finish_code}", {}, at.clock.now())
    inbound_id = receive_text(at.service, text, authentic=True)
    assert inbound_id is not None
    answer_text(at.service, inbound_id)

    def know(session: Session) -> None:
        people.add(session, club_id=at.club_id, name="Una Fell", phone=LENT, usual_contacts=[])
        clubs.set_canary_number(session, at.club_id, LENT)
        session.execute(update(AdminRow).where(AdminRow.club_id == at.club_id).values(phone=LENT))

    at.service.write(know)

    told = client.get(f"{path_of(at, LENT)}/erase").text

    assert f"Dive {dive.reference}, Lantern Steps: was closed less than a day ago" in told
    assert "This phone as that of the club's daily canary dive" in told
    assert "The account at the desk that has this phone" in told


def test_an_officer_is_not_offered_to_erase(at: Site, client: FlaskClient) -> None:
    """It takes an owner, and they are told so who open it all the same."""
    enter(client, AdminRole.OFFICER)

    assert "erase" not in client.get(path_of(at, ANNA)).text.lower().replace("erases", "")
    assert client.get(f"{path_of(at, ANNA)}/erase").status_code == 403
