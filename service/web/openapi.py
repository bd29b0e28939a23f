"""The description of the API (OpenAPI 3.1), made from the very types that read and write it."""

from __future__ import annotations

from typing import Any, Final

import msgspec

from service.domain.dive import Phase
from service.web import api_shapes as shapes
from service.web.api_reading import KEY_HEADER, KEY_LONGEST
from service.web.openapi_sites import SITE_TYPES, site_paths
from service.web.problems import PROBLEM_TYPE, Problem

VERSION = "1.0.0"
_REF = "#/components/schemas/{name}"

_KEY_BOUNDS: Final = {"minLength": 1, "maxLength": KEY_LONGEST}

_TYPES = (
    shapes.PlanIn,
    shapes.StartIn,
    shapes.FinishIn,
    shapes.ExtendIn,
    shapes.CallOffIn,
    shapes.RaiseIn,
    shapes.FixIn,
    shapes.FiledOut,
    shapes.DivesOut,
    shapes.DiveOut,
    shapes.UnreadableOut,
    shapes.DetailsOut,
    *SITE_TYPES,
    Problem,
)

_WORDS = {
    400: "The body is not JSON, or a header is not as it should be.",
    401: "The token is missing, wrong or revoked.",
    404: "The club has no such dive or site.",
    409: "The dive is not in a state for this; `code` says why, `detail` in words.",
    413: "The body is larger than 64 KiB, or the file of a site or of tides than 1 MB.",
    415: "The body is not announced as what is taken here.",
    422: "A field is missing, unknown or wrong; `errors` says which. Or the key is that of another request.",
    500: "A fault of ours. With `code` unreadable: this dive's state cannot be read; `detail` says what was done.",
    503: "The database does not answer. Try again; whether it was done is not certain.",
}

_DEED_WORDS = {
    "start": ("Run the clock", shapes.StartIn),
    "finish": ("Say how many are out; fewer than went in leaves the clock running", shapes.FinishIn),
    "extend": ("Be later, by minutes or until a time of day at the site", shapes.ExtendIn),
    "call-off": ("Say that nobody goes in", shapes.CallOffIn),
    "raise": ("Raise the alarm now", shapes.RaiseIn),
    "fix": ("Say where the party is, or was", shapes.FixIn),
}


def document(public_url: str) -> dict[str, Any]:
    """The whole description, for an installation at that address."""
    _, schemas = msgspec.json.schema_components(_TYPES, ref_template=_REF)
    return {
        "openapi": "3.1.0",
        "info": {
            "title": "Linetender",
            "version": VERSION,
            "summary": "File dive plans, run their clocks, see what happened.",
            "description": (
                "Silence is the alarm: only a finish stops a clock. This is no rescue service and calls none."
                " Times carry their offset from UTC. Phone numbers are given back in E.164."
            ),
            "license": {"name": "MIT", "identifier": "MIT"},
        },
        "servers": [{"url": public_url}],
        "security": [{"token": []}],
        "paths": _paths(),
        "components": {
            "schemas": schemas,
            "securitySchemes": {
                "token": {"type": "http", "scheme": "bearer", "description": "The API token of a club."}
            },
            "responses": {
                f"Problem{status}": _answer(words, Problem, PROBLEM_TYPE) for status, words in _WORDS.items()
            },
        },
    }


def _paths() -> dict[str, Any]:
    deeds = {
        f"/api/v1/dives/{{id}}/{deed}": {"parameters": [_dive_id()], "post": _deed(deed, words, shape)}
        for deed, (words, shape) in _DEED_WORDS.items()
    }
    return {
        "/api/v1/plans": {"post": _file()},
        "/api/v1/dives": {"get": _listing()},
        "/api/v1/dives/{id}": {
            "parameters": [_dive_id()],
            "get": {
                "operationId": "dive",
                "summary": "One dive with its events and messages",
                "responses": _answers(200, "The dive.", shapes.DetailsOut, 401, 404, 500, 503),
            },
        },
        **deeds,
        **site_paths(),
    }


def _file() -> dict[str, Any]:
    responses = _answers(201, "Filed.", shapes.FiledOut, 400, 401, 413, 415, 422, 503)
    responses["200"] = _answer("Filed before, under the same key.", shapes.FiledOut)
    return {
        "operationId": "file_plan",
        "summary": "File a dive plan",
        "parameters": [_key_of_plan()],
        "requestBody": {"required": True, "content": _content(shapes.PlanIn)},
        "responses": responses,
    }


def _listing() -> dict[str, Any]:
    return {
        "operationId": "dives",
        "summary": "The dives of the club, latest filed first, but those that are live before all",
        "parameters": [
            {"name": "phase", "in": "query", "schema": {"type": "string", "enum": [str(phase) for phase in Phase]}},
            {
                "name": "after",
                "in": "query",
                "description": "Where the page before ended: it is in the address that it gives as `next`.",
                "schema": {"type": "string", "pattern": "^[0-9]{1,16}-[0-9a-z]{1,40}$"},
            },
        ],
        "responses": _answers(200, "The dives.", shapes.DivesOut, 401, 422, 503),
    }


def _deed(deed: str, words: str, shape: type) -> dict[str, Any]:
    return {
        "operationId": deed.replace("-", "_"),
        "summary": words,
        "parameters": [_key_of_deed() if deed != "raise" else _key_of_alarm()],
        "requestBody": {"required": deed in {"extend", "fix"}, "content": _content(shape)},
        "responses": _answers(
            200, "The dive as it stands now.", shapes.DiveOut, 400, 401, 404, 409, 413, 415, 422, 500, 503
        ),
    }


def _key(words: str, **bounds: int) -> dict[str, Any]:
    return {"name": KEY_HEADER, "in": "header", "description": words, "schema": {"type": "string", **bounds}}


def _key_of_plan() -> dict[str, Any]:
    return _key("The same plan under the same key is filed once, however often it is sent.", **_KEY_BOUNDS)


def _key_of_deed() -> dict[str, Any]:
    return _key("The same request under the same key is done once for a dive, however often it is sent.", **_KEY_BOUNDS)


def _key_of_alarm() -> dict[str, Any]:
    """No key is in an alarm's way."""
    return _key("As with other deeds; but under the key of another request, or a bad key, it is raised too.")


def _dive_id() -> dict[str, Any]:
    return {"name": "id", "in": "path", "required": True, "schema": {"type": "string"}}


def _answers(status: int, words: str, shape: type, *problems: int) -> dict[str, Any]:
    refused = {str(code): {"$ref": f"#/components/responses/Problem{code}"} for code in problems}
    return {str(status): _answer(words, shape), **refused}


def _answer(words: str, shape: type, content_type: str = "application/json") -> dict[str, Any]:
    return {"description": words, "content": _content(shape, content_type)}


def _content(shape: type, content_type: str = "application/json") -> dict[str, Any]:
    return {content_type: {"schema": {"$ref": _REF.format(name=shape.__name__)}}}
