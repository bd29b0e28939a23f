"""The API as its own description has it: whatever fits it and whatever does not, no answer is one it does not name.

Schemathesis makes the requests from what is served at `/api/openapi.json`. What no chance would find, the ids and names
that exist, it is told. That what fits the shape is accepted is not asked: the rules of a plan are no matter of shape,
and 422 says which was broken.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from typing import Any

import pytest
import schemathesis
from flask.testing import FlaskClient
from hypothesis import HealthCheck, Phase, given, seed, settings
from schemathesis import Case, GenerationMode
from schemathesis.core.failures import FailureGroup
from schemathesis.specs.openapi.checks import positive_data_acceptance

from service.store import log
from tests.web.installation import ANNA, API_TOKEN, CLEO, Site

# Few, since each costs some 50 ms; the same at every run, and none is made smaller, which takes minutes.
BOUNDED = settings(
    max_examples=6,
    phases=(Phase.generate,),
    deadline=None,
    database=None,
    suppress_health_check=list(HealthCheck),
)
TOKEN = {"Authorization": f"Bearer {API_TOKEN}"}
OPERATIONS = 14


def told(raw: dict[str, Any], ids: list[str]) -> dict[str, Any]:
    """The description with the values that exist in the place of any text."""
    for path in raw["paths"].values():
        for parameter in path.get("parameters", ()):
            known = [*ids, "nowhere"] if parameter["name"] == "id" else ["LANTERN", "NEW1"]
            parameter["schema"] = {"type": "string", "enum": known}
    schemas = raw["components"]["schemas"]
    plan, person, contact = (schemas[name]["properties"] for name in ("PlanIn", "PersonIn", "ContactIn"))
    plan["site"] = {"type": "string", "enum": ["LANTERN"]}
    plan["run_time_min"] = {"type": "number", "minimum": 20, "maximum": 60}
    plan["exits"] = {"enum": [["North slip", "Ladder"]]}
    plan["party"]["maxItems"], plan["contacts"]["maxItems"] = 0, 1
    plan["grace_min"], plan["time_in"], plan["gas"] = ({"enum": [None]} for _ in range(3))
    contact["email"], contact["ways"] = {"enum": [None]}, {"enum": [["text"]]}
    for fields, phones in ((person, [ANNA]), (contact, [CLEO])):
        fields["phone"] = {"enum": phones}
        fields["name"] = {"enum": ["Anna Holt", "Bram Vik"]}
        fields["language"] = {"enum": ["en", "de"]}
    return raw


def cases(at: Site, client: FlaskClient, mode: GenerationMode) -> Iterator[tuple[str, Any]]:
    """For each operation what makes its requests."""
    dives = [at.filed().id for _ in range(3)]
    schema = schemathesis.openapi.from_dict(told(json.loads(client.get("/api/openapi.json").text), dives))
    schema.app = at.app
    for found in schema.get_all_operations():
        operation = found.ok()
        yield operation.label, operation.as_strategy(generation_mode=mode)


def faults(
    at: Site, client: FlaskClient, mode: GenerationMode, headers: dict[str, str]
) -> tuple[list[str], Counter[int]]:
    """All that an answer was which it should not be, and how often each status came."""
    seen: list[str] = []
    statuses: Counter[int] = Counter()
    labels = []
    for label, strategy in cases(at, client, mode):
        labels.append(label)

        @seed(1)
        @BOUNDED
        @given(case=strategy)
        def ask(case: Case) -> None:
            answer = case.call(headers=headers)
            statuses[answer.status_code] += 1
            try:
                case.validate_response(answer, headers=headers, excluded_checks=[positive_data_acceptance])
            except FailureGroup as group:
                seen.append(f"{case.operation.label}: {group}"[:2_000])

        ask()
    assert len(labels) == OPERATIONS
    assert statuses.total() > OPERATIONS
    return seen, statuses


def test_what_fits_the_description_gets_only_answers_that_it_names(at: Site, client: FlaskClient) -> None:
    """Plans, starts, finishes and all else, in any order: no 5xx, and each answer has its status, type and shape."""
    seen, statuses = faults(at, client, GenerationMode.POSITIVE, TOKEN)

    assert seen == []
    assert {200, 201, 404, 409} <= statuses.keys()
    assert log.verify_database(at.service.engine) == []


def test_what_does_not_fit_is_refused_in_a_way_that_is_named(at: Site, client: FlaskClient) -> None:
    """Wrong types, missing and unknown fields, bodies of another kind: 4xx, and nothing of it is done."""
    seen, statuses = faults(at, client, GenerationMode.NEGATIVE, TOKEN)

    assert seen == []
    assert {400, 404, 422} <= statuses.keys()
    assert log.verify_database(at.service.engine) == []


def test_without_the_right_token_nothing_is_answered(at: Site, client: FlaskClient) -> None:
    """Whatever is asked, 401, as the description says."""
    seen, statuses = faults(at, client, GenerationMode.POSITIVE, {"Authorization": "Bearer of-nobody"})

    assert seen == []
    assert statuses.keys() == {401}


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda raw: raw["components"]["schemas"]["ClubSiteOut"]["required"].append("depth"), "depth"),
        (lambda raw: raw["paths"]["/api/v1/sites"]["get"]["responses"].pop("200"), "Undocumented status code"),
        (
            lambda raw: raw["paths"]["/api/v1/sites"]["get"]["responses"].update(
                {"200": {"description": "", "content": {"text/csv": {}}}}
            ),
            "Undocumented Content-Type",
        ),
    ],
    ids=["shape", "status", "type"],
)
def test_an_answer_that_is_not_as_described_is_found(at: Site, client: FlaskClient, change: Any, words: str) -> None:
    """The questions speak: a description that names another shape, status or type is at odds with the answer."""
    raw = json.loads(client.get("/api/openapi.json").text)
    change(raw)
    schema = schemathesis.openapi.from_dict(raw)
    schema.app = at.app
    case = schema["/api/v1/sites"]["GET"].Case()
    answer = case.call(headers=TOKEN)

    with pytest.raises(FailureGroup) as found:
        case.validate_response(answer, headers=TOKEN)

    assert words in str([one.title + str(one) for one in found.value.exceptions])
