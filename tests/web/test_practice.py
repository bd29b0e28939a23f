"""The practice phones: real HTTP both ways, signed, with phones that can be switched off."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from typing import Any

import httpx
import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine, select
from sqlalchemy.orm import Session

from service.domain.dive import Phase
from service.gateways.form_post import FormPostGateway
from service.operations.gateway import Accepted, Outgoing
from service.store.tables import ReceiptRow
from service.web import create_app
from service.web.context import EXTENSION, Web
from tests.web.installation import ANNA, CLEO, GATEWAY, RECEIVING, Site, StillClock, settings_for
from tests.web.live import serving

JSON = {"Accept": "application/json"}


@pytest.fixture
def live(engine: Engine, clock: StillClock) -> Iterator[Site]:
    """A demo that listens."""
    with serving(engine, clock) as site:
        yield site


@pytest.fixture
def http(live: Site) -> Iterator[httpx.Client]:
    """A script that speaks to the demo."""
    with httpx.Client(base_url=live.service.public_url, trust_env=False) as client:
        yield client


@pytest.fixture
def courier(live: Site) -> Iterator[FormPostGateway]:
    """The service's own way to the practice gateway."""
    config = web_of(live).gateway("practice")
    assert config is not None
    gateway = FormPostGateway(config, public_url=live.service.public_url)
    yield gateway
    gateway.close()


def web_of(site: Site) -> Web:
    """The parts of the process."""
    web: Web = site.app.extensions[EXTENSION]
    return web


def phone(http: httpx.Client, number: str) -> dict[str, Any]:
    """One phone of the state document."""
    phones = http.get("/practice/state.json").json()["phones"]
    found: dict[str, Any] = next(one for one in phones if one["phone"] == number)
    return found


def receipts(site: Site) -> list[str]:
    """The ids of all receipts that arrived."""

    def work(session: Session) -> list[str]:
        return list(session.execute(select(ReceiptRow.provider_id)).scalars())

    return site.service.read(work)


def eventually(check: Callable[[], bool]) -> bool:
    """Whether it becomes true within five seconds."""
    end = time.monotonic() + 5
    while time.monotonic() < end:
        if check():
            return True
        time.sleep(0.02)
    return check()


def test_every_phone_of_the_club_has_a_card(http: httpx.Client) -> None:
    """Divers first, then those ashore, then admins; each with number and role."""
    page = http.get("/practice").text
    phones = http.get("/practice/state.json").json()["phones"]

    assert [(one["name"], one["role"]) for one in phones] == [
        ("Anna Holt", "diver"),
        ("Cleo Marsh", "shore contact"),
        ("Dov Lind", "shore contact"),
        ("Edda Rowe", "club admin"),
    ]
    assert all(f"Text as {one['name']}" in page for one in phones)
    assert "+44 7700 900000" in page


def test_a_text_typed_on_a_phone_reaches_the_service_signed(live: Site, http: httpx.Client) -> None:
    """It goes over real HTTP to the inbound address and does its work."""
    dive = live.filed()

    answer = http.post("/practice/text", data={"phone": ANNA, "body": "in"}, headers=JSON)

    assert answer.json() == {"ok": True, "words": None}
    assert eventually(lambda: live.now_of(dive).phase is Phase.IN_WATER)
    sent = phone(http, ANNA)["messages"][-1]
    assert (sent["direction"], sent["body"], sent["delivered"]) == ("from_phone", "in", True)


def test_without_javascript_sending_leads_back_to_the_phone(http: httpx.Client) -> None:
    """A form post is answered by a redirect to the card."""
    answer = http.post("/practice/text", data={"phone": ANNA, "body": "STATUS"})

    assert answer.status_code == 303
    assert answer.headers["Location"] == "/practice#phone-447700900101"


@pytest.mark.parametrize("body", ["", "   ", "x" * 1601])
def test_a_text_that_cannot_be_sent_stays_typed(http: httpx.Client, body: str) -> None:
    """The page says what to type, beside the field."""
    answer = http.post("/practice/text", data={"phone": ANNA, "body": body})

    assert answer.status_code == 422
    assert "Type a text of 1 to 1600 characters" in answer.text
    assert f'value="{body}"' in answer.text
    assert phone(http, ANNA)["messages"] == []


def test_a_number_that_is_no_practice_phone_sends_nothing(http: httpx.Client) -> None:
    """Only the phones on the page can be typed on or switched."""
    assert http.post("/practice/text", data={"phone": "+447700900999", "body": "IN"}).status_code == 404
    assert http.post("/practice/switch", data={"phone": "+447700900999", "on": "no"}).status_code == 404


def test_a_text_from_the_service_arrives_with_a_receipt(
    live: Site, http: httpx.Client, courier: FormPostGateway
) -> None:
    """The courier hands it over as to any gateway; the phone shows it, and a signed receipt comes back."""
    outcome = courier.send(Outgoing(CLEO, "Skerry Bay Divers: please keep.", "m1"))

    assert isinstance(outcome, Accepted)
    got = phone(http, CLEO)["messages"][-1]
    assert (got["direction"], got["body"], got["delivered"]) == ("to_phone", "Skerry Bay Divers: please keep.", True)
    assert eventually(lambda: receipts(live) == [outcome.provider_id])


def test_a_phone_that_is_off_gets_its_texts_when_it_is_on(
    live: Site, http: httpx.Client, courier: FormPostGateway
) -> None:
    """Until then it shows how many wait, and no receipt is sent."""
    http.post("/practice/switch", data={"phone": CLEO, "on": "no"})
    courier.send(Outgoing(CLEO, "OVERDUE", "m2"))

    waiting = phone(http, CLEO)
    assert (waiting["on"], waiting["waiting"], waiting["messages"]) == (False, 1, [])
    assert "1 waiting" in http.get("/practice").text
    assert receipts(live) == []

    answer = http.post("/practice/switch", data={"phone": CLEO, "on": "yes"}, headers=JSON)

    assert answer.json() == {"ok": True, "words": None}
    assert [text["body"] for text in phone(http, CLEO)["messages"]] == ["OVERDUE"]
    assert eventually(lambda: len(receipts(live)) == 1)


def test_a_phone_that_is_off_sends_nothing(http: httpx.Client) -> None:
    """The page says to switch it on, and keeps what was typed."""
    http.post("/practice/switch", data={"phone": ANNA, "on": "no"})

    answer = http.post("/practice/text", data={"phone": ANNA, "body": "OUT"})

    assert answer.status_code == 409
    assert "switched off" in answer.text
    assert 'value="OUT"' in answer.text


def test_the_gateway_end_refuses_a_wrong_token(live: Site, http: httpx.Client) -> None:
    """As a real gateway would: 401 for the token, 404 for another account, 400 for a field that is missing."""
    path = "/practice/gateway/2010-04-01/Accounts/PRACTICE/Messages.json"
    form = {"To": CLEO, "From": RECEIVING, "Body": "x"}

    assert http.post(path, data=form, auth=("PRACTICE", "wrong")).status_code == 401
    assert http.post(path, data=form).status_code == 401
    assert http.post(path, data={"To": CLEO}, auth=("PRACTICE", "practice-token")).status_code == 400
    assert http.post(path.replace("PRACTICE", "OTHER"), data=form, auth=("OTHER", "x")).status_code == 404
    assert phone(http, CLEO)["messages"] == []
    assert live.nudges.count == 0


def test_a_receipt_goes_to_ourselves_whatever_address_is_named(live: Site, http: httpx.Client) -> None:
    """A request cannot make the process fetch an address of its choice."""
    path = "/practice/gateway/2010-04-01/Accounts/PRACTICE/Messages.json"
    form = {"To": CLEO, "From": RECEIVING, "Body": "x", "StatusCallback": "http://192.0.2.1/steal"}

    answer = http.post(path, data=form, auth=("PRACTICE", "practice-token"))

    assert answer.status_code == 201
    assert eventually(lambda: receipts(live) == [answer.json()["sid"]])


def test_a_text_that_the_service_does_not_take_is_shown_as_such(live: Site, http: httpx.Client) -> None:
    """With the inbound table away the phone says so, and does not pretend."""
    with live.service.engine.begin() as connection:
        connection.exec_driver_sql("ALTER TABLE inbound_texts RENAME TO inbound_texts_away")

    answer = http.post("/practice/text", data={"phone": ANNA, "body": "OUT"})

    assert answer.status_code == 502
    assert "did not take this text" in answer.text
    assert "(not taken)" in answer.text


def test_a_phone_that_is_only_on_a_plan_gets_a_card_too(http: httpx.Client, courier: FormPostGateway) -> None:
    """Somebody who files the form with another number of the range sees what that phone gets."""
    courier.send(Outgoing("+447700900555", "please keep", "m3"))

    assert phone(http, "+447700900555")["name"] == "Another phone"


def test_words_on_a_phone_are_text_and_our_own_link_opens(
    http: httpx.Client, courier: FormPostGateway, live: Site
) -> None:
    """Markup stays words; only the page of ours at the end can be tapped."""
    link = f"{live.service.public_url}/alarm/abc"
    courier.send(Outgoing(CLEO, f"<i>see</i> http://evil.example/x {link}", "m4"))

    page = http.get("/practice/conversations").text

    assert "&lt;i&gt;see&lt;/i&gt; http://evil.example/x" in page
    assert '<a href="/alarm/abc">' in page
    assert page.count("<a ") == 1


def test_outside_a_demo_there_are_no_practice_phones(at: Site) -> None:
    """Neither the page nor the gateway's end exists."""
    settings = settings_for("sqlite://", demo=False)
    client: FlaskClient = create_app(at.service, settings, (GATEWAY,)).test_client()

    for path in ("/practice", "/practice/state.json", "/practice/conversations"):
        assert client.get(path).status_code == 404
    assert client.post("/practice/text").status_code == 404
    assert "practice" not in client.get("/").text


def test_without_a_practice_gateway_a_phone_cannot_send(at: Site) -> None:
    """A demo against another gateway shows the phones, and types on none."""
    client = create_app(at.service, settings_for("sqlite://"), (GATEWAY,)).test_client()

    assert client.get("/practice").status_code == 200
    assert client.post("/practice/text", data={"phone": ANNA, "body": "IN"}).status_code == 404
