"""The handover pack for a rescue co-ordinator: the page, and the same as PDF, CAP, GPX and GeoJSON.

Everything here is a GET and changes nothing but the log, which keeps that the pack was opened or fetched and by whose
link. A link of an alarm opens it too, so that a contact who is on the phone to rescue needs no other.
"""

from __future__ import annotations

import logging
from urllib.parse import urlsplit

from flask import Blueprint, Response, make_response, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup
from sqlalchemy.exc import SQLAlchemyError

from service.documents import pack_cap, pack_geojson, pack_gpx, pack_pdf
from service.documents.sketch_svg import to_svg
from service.domain.handover import Moment, Pack, pack
from service.domain.handover.exit_words import exit_words
from service.domain.handover.pack import NO_CALL
from service.domain.wording import LinkKind
from service.operations.pages import LinkView, note_view, timeline
from service.web.access import Who, open_to
from service.web.context import web
from service.web.links import opened

pages = Blueprint("handover", __name__)

VIEW_NOT_NOTED = "web.handover_view_not_noted"

_log = logging.getLogger(__name__)


@pages.get("/handover/<token>")
@open_to(Who.LINK_HOLDER)
def show(token: str) -> ResponseReturnValue:
    """The pack as a page."""
    view, made = _made(token, None)
    drawing = None if made.sketch is None else to_svg(made.sketch, title=f"Sketch of {made.where.site}")
    return render_template(
        "handover.html",
        pack=made,
        token=token,
        own=view.kind is LinkKind.ALARM,
        now=view.now,
        zone=made.zone,
        country=view.country,
        exits=exit_words(made),
        made_at=pack_pdf.made_at(made),
        no_call=NO_CALL,
        alerted=bool(pack_cap.issues(made)),
        # Made by us from shapes; every word in it is escaped there.
        drawing=None if drawing is None else Markup(drawing),  # noqa: S704
    )


@pages.get("/handover/<token>/pack.pdf")
@open_to(Who.LINK_HOLDER)
def as_pdf(token: str) -> ResponseReturnValue:
    """Two A4 pages."""
    _, made = _made(token, "pack.pdf")
    return _download(made, pack_pdf.to_pdf(made), pack_pdf.MEDIA_TYPE, "pdf")


@pages.get("/handover/<token>/pack.xml")
@open_to(Who.LINK_HOLDER)
def as_cap(token: str) -> ResponseReturnValue:
    """The latest alert message, reckoned for when it was issued, so that whoever fetches it has the same."""
    view, made = _made(token, "pack.xml")
    issued = pack_cap.issues(made)
    if not issued:
        words = "There is no alarm for this dive, so there is no alert message. It appears with the alarm."
        return render_template("error.html", title="No alert message yet", words=words), 404
    then = pack(view.dive, issued[-1].at, made.timeline, factors=web().settings.search_factors)
    host = urlsplit(web().settings.public_url).hostname or "localhost"
    return _download(made, pack_cap.to_cap(then, f"linetender@{host}"), pack_cap.MEDIA_TYPE, "xml")


@pages.get("/handover/<token>/pack.gpx")
@open_to(Who.LINK_HOLDER)
def as_gpx(token: str) -> ResponseReturnValue:
    """Waypoints and drift."""
    _, made = _made(token, "pack.gpx")
    return _download(made, pack_gpx.to_gpx(made), pack_gpx.MEDIA_TYPE, "gpx")


@pages.get("/handover/<token>/pack.geojson")
@open_to(Who.LINK_HOLDER)
def as_geojson(token: str) -> ResponseReturnValue:
    """Points, drift and search area for a map."""
    _, made = _made(token, "pack.geojson")
    return _download(made, pack_geojson.to_geojson(made), pack_geojson.MEDIA_TYPE, "geojson")


def _made(token: str, document: str | None) -> tuple[LinkView, Pack]:
    """The pack behind a link as of now; that it was opened is logged."""
    view = opened(token, LinkKind.HANDOVER, LinkKind.ALARM)
    if request.method == "GET":
        _note(view, document)
    entries = timeline(web().service, view.dive.id)
    moments = tuple(Moment(entry.at, f"{entry.who}: {entry.words}" if entry.who else entry.words) for entry in entries)
    return view, pack(view.dive, view.now, moments, factors=web().settings.search_factors)


def _note(view: LinkView, document: str | None) -> None:
    try:
        note_view(web().service, view, LinkKind.HANDOVER, document)
    except SQLAlchemyError:
        # Rescue must see the pack even while nothing can be written.
        _log.exception(VIEW_NOT_NOTED, extra={"dive_id": view.dive.id})


def _download(made: Pack, body: bytes, media_type: str, ending: str) -> Response:
    """A file to keep; its name has the reference and no name of a person."""
    response = make_response(body)
    response.headers["Content-Type"] = media_type
    response.headers["Content-Disposition"] = f'attachment; filename="linetender-{made.reference}.{ending}"'
    return response
