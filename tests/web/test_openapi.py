"""The description of the API is valid OpenAPI and says what the API does."""

from __future__ import annotations

import json
from typing import Any

import pytest
from flask.testing import FlaskClient
from jsonschema import Draft202012Validator
from openapi_spec_validator import validate

from service.web.access import Who, who_may
from tests.web.installation import API_TOKEN, PUBLIC_URL, Site
from tests.web.test_api import PLAN

HEADERS = {"Authorization": f"Bearer {API_TOKEN}", "Content-Type": "application/json"}


@pytest.fixture
def document(client: FlaskClient) -> dict[str, Any]:
    """The description as it is served, to anyone."""
    answer = client.get("/api/openapi.json")
    assert answer.mimetype == "application/json"
    served: dict[str, Any] = json.loads(answer.text)
    return served


def schema(document: dict[str, Any], name: str) -> Draft202012Validator:
    """A validator for one of the described types."""
    return Draft202012Validator(
        {"$ref": f"#/components/schemas/{name}", "components": document["components"]},
        format_checker=Draft202012Validator.FORMAT_CHECKER,
    )


def test_the_description_is_valid_openapi(document: dict[str, Any]) -> None:
    """By the OpenAPI Specification 3.1 and its published schema."""
    validate(document)
    assert document["openapi"].startswith("3.1")
    assert document["servers"] == [{"url": PUBLIC_URL}]


def test_it_describes_every_route_for_scripts_and_no_other(at: Site, document: dict[str, Any]) -> None:
    """Paths and methods are those of the application."""
    served = {
        (rule.rule.replace("<dive_id>", "{id}").replace("<code>", "{code}"), method.lower())
        for rule in at.app.url_map.iter_rules()
        if who_may(at.app, rule.endpoint) is Who.SCRIPT
        for method in (rule.methods or set()) - {"HEAD", "OPTIONS"}
    }
    described = {
        (path, method)
        for path, item in document["paths"].items()
        for method in item
        if method in {"get", "post", "put", "delete"}
    }

    assert described == served


def test_answers_are_as_described(client: FlaskClient, document: dict[str, Any]) -> None:
    """What the API really answers passes the schema that it publishes."""
    plan = json.dumps(PLAN | {"time_in": "2027-06-01T13:00:00+01:00"})
    filed = client.post("/api/v1/plans", data=plan, headers=HEADERS)
    assert filed.json is not None
    dive = f"/api/v1/dives/{filed.json['id']}"
    started = client.post(f"{dive}/start", data="{}", headers=HEADERS)
    details = client.get(dive, headers=HEADERS)
    listed = client.get("/api/v1/dives", headers=HEADERS)
    refused = client.post(f"{dive}/start", data="{}", headers=HEADERS)
    wrong = client.post("/api/v1/plans", data="{}", headers=HEADERS)

    schema(document, "FiledOut").validate(filed.json)
    schema(document, "DiveOut").validate(started.json)
    schema(document, "DetailsOut").validate(details.json)
    schema(document, "DivesOut").validate(listed.json)
    schema(document, "Problem").validate(refused.json)
    schema(document, "Problem").validate(wrong.json)


def test_the_plan_of_the_examples_is_as_described(document: dict[str, Any]) -> None:
    """A plan that the API takes passes the schema, and one with an unknown field does not."""
    validator = schema(document, "PlanIn")

    validator.validate(PLAN)
    assert not validator.is_valid(PLAN | {"run_time": 50})
    assert not validator.is_valid({key: value for key, value in PLAN.items() if key != "contacts"})
