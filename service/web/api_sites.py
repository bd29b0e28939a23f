"""The sites of a club by script: GeoJSON or GPX out and in, tides as CSV."""

from __future__ import annotations

from collections.abc import Mapping

import msgspec
from flask import Blueprint, Response, request

from service.documents import site_geojson, site_gpx, tides_csv
from service.documents.site_reading import FILE_BYTES_MAX, Fault, SiteFileError
from service.operations.sites import (
    Format,
    SiteListed,
    export_site,
    export_tides,
    import_site,
    import_tides,
    list_sites,
)
from service.store.codec import plain
from service.web.api_reading import PlanProblem
from service.web.api_site_shapes import ClubSiteOut, ClubSitesOut, SiteTakenOut, TidesTakenOut
from service.web.api_views import Caller, for_scripts
from service.web.context import web
from service.web.problems import FieldProblem, problem

sites_api = Blueprint("sites_api", __name__)

MEDIA_TYPES: Mapping[Format, str] = {Format.GEOJSON: site_geojson.MEDIA_TYPE, Format.GPX: site_gpx.MEDIA_TYPE}
TAKEN_AS: Mapping[str, Format] = {
    site_geojson.MEDIA_TYPE: Format.GEOJSON,
    "application/json": Format.GEOJSON,
    site_gpx.MEDIA_TYPE: Format.GPX,
    "application/xml": Format.GPX,
    "text/xml": Format.GPX,
}


@sites_api.get("/api/v1/sites")
@for_scripts
def listing(caller: Caller) -> Response:
    """The sites of the club."""
    found = list_sites(web().service, caller.club.id)
    return _json(ClubSitesOut(tuple(map(_listed, found))))


@sites_api.get("/api/v1/sites/<code>")
@for_scripts
def export(caller: Caller, code: str) -> Response:
    """One site as a file: GeoJSON, or GPX where `format` or the Accept header asks for it."""
    wanted = _wanted()
    written = export_site(web().service, caller.club.id, code, wanted)
    return _no_site() if written is None else Response(written, content_type=MEDIA_TYPES[wanted])


@sites_api.put("/api/v1/sites/<code>")
@for_scripts
def replace(caller: Caller, code: str) -> Response:
    """Take a site from a file, all of it or nothing; 201 where the club had none of that code."""
    given = TAKEN_AS.get(request.mimetype)
    if given is None:
        raise PlanProblem(415, "Unsupported Media Type", f"Send a site as {' or '.join(MEDIA_TYPES.values())}.")
    actor = plain(caller.by)
    try:
        taken = import_site(web().service, caller.club.id, _file(), given, actor, code=code)
    except SiteFileError as refused:
        raise _refused(refused, "The file is no site that can be taken") from None
    body = SiteTakenOut(_listed(taken.site), taken.new, tuple(map(_field, taken.notes)))
    return _json(body, status=201 if taken.new else 200)


@sites_api.get("/api/v1/sites/<code>/tides")
@for_scripts
def tides(caller: Caller, code: str) -> Response:
    """The high and low waters of a site as CSV."""
    written = export_tides(web().service, caller.club.id, code)
    return _no_site() if written is None else Response(written, content_type=f"{tides_csv.MEDIA_TYPE}; charset=utf-8")


@sites_api.put("/api/v1/sites/<code>/tides")
@for_scripts
def replace_tides(caller: Caller, code: str) -> Response:
    """Take high and low waters from CSV, all of them or nothing."""
    if request.mimetype != tides_csv.MEDIA_TYPE:
        raise PlanProblem(415, "Unsupported Media Type", f"Send tides as {tides_csv.MEDIA_TYPE}.")
    try:
        taken = import_tides(web().service, caller.club.id, code, _file(), plain(caller.by))
    except SiteFileError as refused:
        raise _refused(refused, "The tides cannot be taken") from None
    return _no_site() if taken is None else _json(TidesTakenOut(taken.count, taken.first_at, taken.last_at))


def _wanted() -> Format:
    named = request.args.get("format")
    if named is None:
        best = request.accept_mimetypes.best_match(MEDIA_TYPES.values(), default=site_geojson.MEDIA_TYPE)
        return TAKEN_AS[best]
    if named not in list(Format):
        words = f"A format is one of {', '.join(Format)}."
        raise PlanProblem(422, "No such format", words, (FieldProblem("format", words),))
    return Format(named)


def _file() -> bytes:
    """The body, which may be longer here than elsewhere. Raises RequestEntityTooLarge for one that is too long."""
    request.max_content_length = FILE_BYTES_MAX
    return request.get_data()


def _refused(refused: SiteFileError, title: str) -> PlanProblem:
    errors = tuple(map(_field, refused.faults))
    return PlanProblem(422, title, f"{errors[0].field}: {errors[0].words}", errors)


def _field(fault: Fault) -> FieldProblem:
    return FieldProblem(fault.where, fault.words)


def _listed(site: SiteListed) -> ClubSiteOut:
    place = (site.position.lat, site.position.lon)
    return ClubSiteOut(site.code, site.name, site.zone, place, site.rescue_call, site.points, site.tides_until_at)


def _no_site() -> Response:
    return problem(404, "Not Found", "Your club has no site of this code.")


def _json(body: object, status: int = 200) -> Response:
    return Response(msgspec.json.encode(body), status=status, content_type="application/json")
