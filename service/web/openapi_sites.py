"""The description of the addresses of sites."""

from __future__ import annotations

from typing import Any

from service.documents import site_geojson, site_gpx, tides_csv
from service.operations.sites import Format
from service.web import api_site_shapes as shapes

SITE_TYPES = (shapes.ClubSitesOut, shapes.SiteTakenOut, shapes.TidesTakenOut)

_ONE_SITE = {
    "type": "object",
    "required": ["type", "features"],
    "properties": {"type": {"const": "FeatureCollection"}, "features": {"type": "array", "maxItems": 500}},
    "description": "RFC 7946: Points and one LineString, the site itself in the member `site` (docs/sites.md).",
}
_XML = {"type": "string", "description": "GPX 1.1."}
_CSV = {"type": "string", "description": "Columns at, height_m, high_or_low."}
_FILES = {site_geojson.MEDIA_TYPE: {"schema": _ONE_SITE}, site_gpx.MEDIA_TYPE: {"schema": _XML}}
_TIDES = {tides_csv.MEDIA_TYPE: {"schema": _CSV}}


def site_paths() -> dict[str, Any]:
    """Paths and methods."""
    code = {"name": "code", "in": "path", "required": True, "schema": {"type": "string"}}
    return {
        "/api/v1/sites": {
            "get": _operation("sites", "The sites of the club", _answers(_out(shapes.ClubSitesOut), 401, 503))
        },
        "/api/v1/sites/{code}": {
            "parameters": [code],
            "get": _export(),
            "put": _operation("put_site", "Take a site from a file, all of it or nothing", _taken(), _FILES),
        },
        "/api/v1/sites/{code}/tides": {
            "parameters": [code],
            "get": _operation("tides", "The high and low waters of a site", _answers(_TIDES, 401, 404, 503)),
            "put": _operation(
                "put_tides",
                "Take high and low waters; they take the place of what is known from their first to their last",
                _answers(_out(shapes.TidesTakenOut), 401, 404, 413, 415, 422, 503),
                _TIDES,
            ),
        },
    }


def _export() -> dict[str, Any]:
    wanted = {
        "name": "format",
        "in": "query",
        "description": "Without it the Accept header decides.",
        "schema": {"type": "string", "enum": [str(one) for one in Format]},
    }
    operation = _operation("site", "One site as a file", _answers(_FILES, 401, 404, 422, 503))
    return operation | {"parameters": [wanted]}


def _taken() -> dict[str, Any]:
    taken = _out(shapes.SiteTakenOut)
    return _answers(taken, 401, 413, 415, 422, 503) | {"201": {"description": "A new site.", "content": taken}}


def _operation(
    name: str, summary: str, responses: dict[str, Any], body: dict[str, Any] | None = None
) -> dict[str, Any]:
    operation = {"operationId": name, "summary": summary, "responses": responses}
    return operation if body is None else operation | {"requestBody": {"required": True, "content": body}}


def _answers(content: dict[str, Any], *problems: int) -> dict[str, Any]:
    refused = {str(code): {"$ref": f"#/components/responses/Problem{code}"} for code in problems}
    return {"200": {"description": "Done.", "content": content}, **refused}


def _out(shape: type) -> dict[str, Any]:
    return {"application/json": {"schema": {"$ref": f"#/components/schemas/{shape.__name__}"}}}
