"""The joining page: what is typed stays, consent is asked, the code is shown, and the phone proved by text."""

from __future__ import annotations

import re

from flask.testing import FlaskClient

from service.operations.gateway import InboundText
from service.operations.inbound import answer_text
from service.operations.receiving import receive_text
from service.store import people
from tests.web.installation import RECEIVING, Site
from tests.web.reading import Page

FORM = {
    "name": "Una Fell",
    "contact_1_name": "Cleo Marsh",
    "contact_1_phone": "07700 900201",
    "consent": "yes",
}
UNA = "+447700900177"


def test_a_form_and_a_text_make_a_phone_known(at: Site, client: FlaskClient) -> None:
    """The page shows the code and opens the text; once it came, it says what to text from the beach."""
    answer = client.post("/join/skerry", data=FORM)
    path = answer.location or ""
    shown = client.get(path).text
    code = re.search(r"sms:\+447700900000\?body=(0\d{7})", shown)
    assert code is not None
    assert f"{code[1][:4]} {code[1][4:]}" in shown

    text = InboundText("shore", "t1", UNA, RECEIVING, code[1], {}, at.clock.now())
    stored = receive_text(at.service, text, authentic=True)
    assert stored is not None
    answer_text(at.service, stored)

    assert "You are known here now, Una Fell" in client.get(path).text
    assert "IN LANTERN 50 P2" in client.get(path).text
    known = at.service.read(lambda session: people.by_phone(session, at.club_id, UNA))
    assert known is not None
    assert known.usual_contacts == [{"name": "Cleo Marsh", "phone": "+447700900201"}]


def test_what_is_wrong_is_said_beside_its_field_and_what_was_typed_stays(client: FlaskClient) -> None:
    """Each error leads to an input that is there."""
    answer = client.post("/join/skerry", data=FORM | {"name": "", "contact_1_phone": "12"})

    page = Page(answer.text)
    assert answer.status_code == 422
    assert "Give a name" in answer.text
    assert 'value="Cleo Marsh"' in answer.text
    assert {"#name", "#contact_1_phone"} <= set(page.addresses())
    assert {"name", "contact_1_phone"} <= set(page.ids)


def test_nothing_is_kept_without_consent(client: FlaskClient) -> None:
    """Whoever does not tick is told what for."""
    answer = client.post("/join/skerry", data={name: value for name, value in FORM.items() if name != "consent"})

    assert answer.status_code == 422
    assert "Without it nothing is kept" in answer.text


def test_a_phone_that_cannot_text_is_sent_a_code(at: Site, client: FlaskClient) -> None:
    """A wrong one says how many tries are left; a page that is over says what to do."""
    path = client.post("/join/skerry", data=FORM).location or ""

    refused = client.post(f"{path}/send", data={"phone": "+1 202 555 0123"})
    sent = client.post(f"{path}/send", data={"phone": "07700 900177"})
    wrong = client.post(f"{path}/code", data={"code": "01234567"})
    at.clock.forward(10)
    over = client.get(path)

    assert "own country" in refused.text
    assert 'value="+1 202 555 0123"' in refused.text
    assert sent.status_code == 303
    assert "4 tries are left" in wrong.text
    assert "This code is over" in over.text


def test_one_address_begins_so_often_in_an_hour(client: FlaskClient) -> None:
    """Then it is told what to do; texts and dives are counted nowhere here."""
    answers = [client.post("/join/skerry", data=FORM) for _ in range(21)]

    assert [answer.status_code for answer in answers[:20]] == [303] * 20
    assert answers[20].status_code == 429
    assert "ask the club to add you" in answers[20].text
    assert client.get("/join/nobody").status_code == client.get("/join/skerry/made-up").status_code == 404
