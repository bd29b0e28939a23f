"""E-mail, language and ways of contacts in the API and in the form, and how pages say how each is told."""

from __future__ import annotations

import html
import json
from typing import Any

import pytest
from flask.testing import FlaskClient
from sqlalchemy import Engine

from service.domain.dive import Dive
from service.domain.people import Channel
from service.operations.pages import list_dives
from service.operations.service import Service
from service.web import create_app
from tests.web.installation import (
    API_TOKEN,
    CLEO,
    DOV,
    GATEWAY,
    PUBLIC_URL,
    Site,
    StillClock,
    fill,
    seed,
    settings_for,
)

HARBOUR = "+441632960123"
PLAN: dict[str, Any] = {
    "site": "LANTERN",
    "run_time_min": 50,
    "lead": {"name": "Anna Holt", "phone": "07700 900101", "language": "es"},
    "contacts": [
        {"name": "Cleo Marsh", "phone": CLEO, "email": "cleo@example.org", "language": "de"},
        {"name": "Harbour office", "phone": HARBOUR},
        {"name": "Dov Lind", "phone": DOV, "ways": ["call", "text"]},
    ],
}


@pytest.fixture
def at(engine: Engine, clock: StillClock) -> Site:
    """An installation whose gateways text, call and mail."""
    service = Service(engine, clock, PUBLIC_URL, "web-test", channels=frozenset(Channel))
    seed(service, clock.now())
    return Site(service, clock, create_app(service, settings_for(str(engine.url)), (GATEWAY,)))


def post(client: FlaskClient, path: str, body: dict[str, Any]) -> tuple[int, dict[str, Any]]:
    """Post JSON as a script of the club; status and answer."""
    headers = {"Authorization": f"Bearer {API_TOKEN}", "Content-Type": "application/json"}
    answer = client.post(f"/api/v1{path}", data=json.dumps(body), headers=headers)
    assert answer.json is not None
    return answer.status_code, answer.json


def dive_of(client: FlaskClient, dive_id: str) -> dict[str, Any]:
    """A dive as the API gives it."""
    answer = client.get(f"/api/v1/dives/{dive_id}", headers={"Authorization": f"Bearer {API_TOKEN}"})
    assert answer.json is not None
    found: dict[str, Any] = answer.json
    return found


# The API


def test_a_contact_has_ways_a_language_and_an_address_in_the_api(client: FlaskClient) -> None:
    """As given, or as they follow from the number; the best way first."""
    status, filed = post(client, "/plans", PLAN)
    assert status == 201

    dive = dive_of(client, filed["id"])
    assert [(one["ways"], one["language"], one["email"]) for one in dive["contacts"]] == [
        (["text", "call", "email"], "de", "cleo@example.org"),
        (["call"], "en", None),
        (["call", "text"], "en", None),
    ]
    assert dive["party"][0]["language"] == "es"


def test_each_message_says_by_which_way_it_goes(client: FlaskClient) -> None:
    """The plan goes to the landline as a call, to the first contact as a text and an e-mail."""
    _, filed = post(client, "/plans", PLAN)
    assert post(client, f"/dives/{filed['id']}/start", {})[0] == 200

    messages = dive_of(client, filed["id"])["messages"]
    notices = {(one["to"], one["channel"]): one["body"] for one in messages if one["step"] == "start_notice"}
    assert sorted(notices) == [
        ("contact-0", "email"),
        ("contact-0", "text"),
        ("contact-1", "call"),
        ("contact-2", "text"),
    ]
    assert notices["contact-0", "email"].endswith(f"{PUBLIC_URL}/alarm/...")


@pytest.mark.parametrize(
    ("contact", "words"),
    [
        ({"ways": ["email"]}, "An e-mail alone may be read too late."),
        ({"email": "at home"}, "This is no e-mail address."),
        ({"language": "tlh"}, "Messages can be in en, es, fr, de, it"),
    ],
)
def test_what_cannot_be_used_is_a_problem_with_what_to_do(
    at: Site, client: FlaskClient, contact: dict[str, Any], words: str
) -> None:
    """Beside the field that it is about; nothing is filed."""
    given = {"name": "Cleo Marsh", "phone": CLEO, "email": "cleo@example.org"} | contact

    status, problem = post(client, "/plans", {**PLAN, "contacts": [given]})

    assert status == 422
    assert problem["errors"][0]["field"] == "contacts"
    assert problem["errors"][0]["words"].startswith(f"Cleo Marsh: {words}")
    assert list_dives(at.service, at.club_id).dives == ()


def test_a_way_that_there_is_not_is_refused_by_its_shape(client: FlaskClient) -> None:
    """The description of the API has all there are."""
    contact = {"name": "Cleo Marsh", "phone": CLEO, "ways": ["pigeon"]}

    assert post(client, "/plans", {**PLAN, "contacts": [contact]})[0] == 422

    described = client.get("/api/openapi.json").get_json()["components"]["schemas"]
    assert sorted(described["Channel"]["enum"]) == ["call", "email", "text"]


# The form


def test_the_form_takes_an_address_and_languages(at: Site, client: FlaskClient) -> None:
    """For contacts and the lead; what is left empty is the club's."""
    status, page = fill(
        client, contact_1_email="cleo@example.org", contact_1_language="de", contact_2_phone=HARBOUR, lead_language="fr"
    )

    assert status == 200
    (dive,) = list_dives(at.service, at.club_id).dives
    assert isinstance(dive, Dive)
    cleo, dov = dive.plan.contacts
    assert (cleo.email, cleo.language) == ("cleo@example.org", "de")
    assert (dov.email, dov.language, dive.lead.language) == (None, "en", "fr")
    words = html.unescape(page)
    assert "Cleo Marsh: agreed. Told by text, then call, and by e-mail." in words
    assert "Told by call." in words
    assert "Told by call." in client.get(at.dive_path(dive)).text


@pytest.mark.parametrize(
    ("typed", "name", "words"),
    [
        ({"contact_1_email": "at home"}, "contact_1_email", "This is no e-mail address. Check it, or leave it empty."),
        ({"contact_1_language": "tlh"}, "contact_1_language", "Choose one of these languages."),
        ({"lead_language": "tlh"}, "lead_language", "Choose one of these languages."),
        ({"contact_3_email": "edda@example.org"}, "contact_3_name", "Give this contact's name."),
    ],
)
def test_what_is_wrong_with_them_stands_beside_the_input(
    at: Site, client: FlaskClient, typed: dict[str, str], name: str, words: str
) -> None:
    """What was typed is kept, and the part of the form that has it is open."""
    status, page = fill(client, **typed)

    assert status == 422
    assert f'id="{name}-error"' in page
    assert words in html.unescape(page)
    for value in typed.values():
        assert value == "tlh" or f'value="{value}"' in page
    assert "<details open>\n<summary>E-mail and languages</summary>" in page
    assert list_dives(at.service, at.club_id).dives == ()


def test_the_form_keeps_what_was_chosen_and_is_closed_while_nothing_is(client: FlaskClient) -> None:
    """Compact for the many who need none of it."""
    _, plain = fill(client, "preview")
    _, chosen = fill(client, "preview", contact_2_language="it")

    assert "<details>\n<summary>E-mail and languages</summary>" in plain
    assert "<details open>\n<summary>E-mail and languages</summary>" in chosen
    assert chosen.count('<option value="it" lang="it" selected>Italiano</option>') == 1
