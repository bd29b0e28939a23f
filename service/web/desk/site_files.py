"""What goes into a site and out of it by file, its tides, a copy of it, and whether it is in use.

A file is looked at first: what it would do is shown, and the same bytes come back with the button that does it.
"""

from __future__ import annotations

import base64
import binascii
from dataclasses import dataclass
from datetime import datetime
from zoneinfo import ZoneInfo

from flask import Blueprint, Response, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.documents import site_geojson, site_gpx, tides_csv
from service.documents.site_reading import FILE, FILE_BYTES_MAX, Fault, SiteFileError
from service.domain.place.site_advice import tide_advice
from service.operations.admin_roles import AdminRole
from service.operations.site_editing import (
    SiteOpened,
    bring_back_site,
    copy_site,
    export_at_desk,
    open_site,
    retire_site,
)
from service.operations.site_keeping import Meanwhile, StaleSiteError
from service.operations.sites import Format, SiteImported, TidesImported, import_site, import_tides
from service.web.context import web
from service.web.desk.room import with_room
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_site_files", __name__)

FORM_MAX = 2 * FILE_BYTES_MAX  # the bytes come back as base64, a third longer, with the rest of the form
SHOWN_MAX = 50
NO_FILE = "Choose a file first."
_FORMATS = {
    "geojson": (Format.GEOJSON, site_geojson.MEDIA_TYPE),
    "gpx": (Format.GPX, site_gpx.MEDIA_TYPE),
    "tides.csv": (None, f"{tides_csv.MEDIA_TYPE}; charset=utf-8"),
}


@dataclass(frozen=True, slots=True)
class Looked:
    """What a file would do or did; `kept` are its bytes, to come back with the button."""

    what: str  # "site" or "tides"
    done: bool = False
    site: SiteImported | None = None
    tides: TidesImported | None = None
    faults: tuple[Fault, ...] = ()
    stale: tuple[Meanwhile, ...] = ()
    kept: str = ""
    name: str = ""
    code: str = ""


@pages.get("/admin/sites/<code>/files")
@at_desk(AdminRole.VIEWER)
def files(code: str) -> ResponseReturnValue:
    """The files, tides and use of one site."""
    return _page(_known(code))


@pages.post("/admin/sites/<code>/files")
@with_room(FORM_MAX)
@at_desk(AdminRole.OFFICER)
def take(code: str) -> ResponseReturnValue:
    """Look at a file of this site or of its tides, or take it."""
    opened = _known(code)
    if request.form.get("what") == "tides":
        looked = _tides(opened)
    else:
        looked = _site(opened.site.code, request.form.get("made_from") or opened.mark)
    return _page(_known(code), *_status(looked))


@pages.post("/admin/sites/from-file")
@with_room(FORM_MAX)
@at_desk(AdminRole.OFFICER)
def from_file() -> ResponseReturnValue:
    """Look at a file that says itself which site it is, or take it."""
    looked = _site(request.form.get("code", "").strip() or None, request.form.get("made_from") or None)
    if looked.done and looked.site is not None:
        return redirect(f"/admin/sites/{looked.site.site.code}?saved=yes", 303)
    return _page(None, *_status(looked))


@pages.post("/admin/sites/<code>/export")
@at_desk(AdminRole.OFFICER)
def export(code: str) -> ResponseReturnValue:
    """One of its files, to be kept by the browser; that it was taken is in the log."""
    wanted = request.form.get("format", "")
    if wanted not in _FORMATS:
        abort(404)
    form, media_type = _FORMATS[wanted]
    data = export_at_desk(web().service, desk().admin, code, form)
    if data is None:
        abort(404)
    known = code.upper().lower()  # as the site has it: there are letters whose capitals are others, such as a long s
    name = f"{known}{'-' if wanted == 'tides.csv' else '.'}{wanted}"
    return Response(data, content_type=media_type, headers={"Content-Disposition": f'attachment; filename="{name}"'})


@pages.post("/admin/sites/<code>/copy")
@at_desk(AdminRole.OFFICER)
def copy(code: str) -> ResponseReturnValue:
    """Make a new site of it."""
    opened = _known(code)
    try:
        kept = copy_site(
            web().service, desk().admin, code, request.form.get("new_code", ""), request.form.get("new_name", "")
        )
    except SiteFileError as refused:
        words = " ".join(fault.words for fault in refused.faults)
        return _page(opened, wrong=words.replace('its "code"', "the copy a code"), status=422)
    return redirect(f"/admin/sites/{kept.row.code}?saved=yes", 303)


@pages.post("/admin/sites/<code>/use")
@at_desk(AdminRole.OFFICER)
def use(code: str) -> ResponseReturnValue:
    """Take it out of use, or bring it back. Pressed twice it stays as it is."""
    _known(code)
    if request.form.get("do") == "retire":
        retire_site(web().service, desk().admin, code)
    else:
        bring_back_site(web().service, desk().admin, code)
    return redirect(f"/admin/sites/{code}/files#use", 303)


def _known(code: str) -> SiteOpened:
    return open_site(web().service, desk().admin.club_id, code) or abort(404)


def _status(looked: Looked) -> tuple[Looked, int]:
    return looked, 422 if looked.faults else 409 if looked.stale else 200


def _bytes() -> tuple[bytes, str]:
    """The file that was chosen, or the one that was looked at before. Raises SiteFileError where there is none."""
    chosen = request.files.get("file")
    if chosen is not None and chosen.filename:
        with chosen.stream as stream:
            return stream.read(FILE_BYTES_MAX + 1), chosen.filename[-80:]
    try:
        kept = base64.b64decode(request.form.get("kept", ""), validate=True)
    except (binascii.Error, ValueError):
        kept = b""
    if not kept:
        raise SiteFileError([Fault(FILE, NO_FILE)])
    return kept, request.form.get("kept_name", "")[-80:]


def _takes() -> bool:
    return request.form.get("do") == "take"


def _tides(opened: SiteOpened) -> Looked:
    data, name = b"", ""
    try:
        data, name = _bytes()
        done = import_tides(
            web().service, desk().admin.club_id, opened.site.code, data, _actor(), check=not _takes()
        ) or abort(404)
    except SiteFileError as refused:
        return Looked("tides", faults=refused.faults, name=name)
    return Looked("tides", done=_takes(), tides=done, kept=_kept(data), name=name)


def _site(code: str | None, opened: str | None) -> Looked:
    data, name = b"", ""
    try:
        data, name = _bytes()
        given = Format.GPX if name.lower().endswith((".gpx", ".xml")) else Format.GEOJSON
        club_id = desk().admin.club_id
        done = import_site(web().service, club_id, data, given, _actor(), code=code, check=not _takes(), opened=opened)
    except SiteFileError as refused:
        return Looked("site", faults=refused.faults, name=name, code=code or "")
    except StaleSiteError as stale:
        return Looked("site", stale=stale.meanwhile, kept=_kept(data), name=name, code=code or "")
    return Looked("site", done=_takes(), site=done, kept=_kept(data), name=name, code=code or "")


def _kept(data: bytes) -> str:
    return "" if _takes() else base64.b64encode(data).decode()


def _actor() -> dict[str, str]:
    admin = desk().admin
    return {"role": "admin", "name": admin.name, "key": f"admin-{admin.admin_id}", "process": web().service.process}


def _page(
    opened: SiteOpened | None, looked: Looked | None = None, status: int = 200, *, wrong: str | None = None
) -> ResponseReturnValue:
    now = web().service.clock.now()
    zone = (opened.site.zone if opened else None) or desk().admin.zone
    page = render_template(
        "desk/site_files.html",
        opened=opened,
        looked=looked,
        wrong=wrong,
        typed=request.form,
        shown=SHOWN_MAX,
        made_from=_mark(opened, looked),
        tides=None if opened is None else tide_advice(opened.site, opened.tides_until_at, now),
        coverage=None if opened is None else _span(opened.tides_from_at, opened.tides_until_at, zone),
        span=None
        if looked is None or looked.tides is None
        else _span(looked.tides.first_at, looked.tides.last_at, zone),
        zone=zone,
        may_edit=desk().admin.role.may(AdminRole.OFFICER),
        now=now,
    )
    return page, status


def _mark(opened: SiteOpened | None, looked: Looked | None) -> str:
    """Of the site that the file would replace, as it was when the file was looked at."""
    if opened is None and looked is not None and looked.site is not None and not looked.site.new:
        opened = open_site(web().service, desk().admin.club_id, looked.site.site.code)
    return "" if opened is None else opened.mark


def _span(first_at: datetime | None, last_at: datetime | None, zone: str) -> str | None:
    """From which day to which, by the clock of the site."""
    if first_at is None or last_at is None:
        return None
    first, last = (at.astimezone(ZoneInfo(zone)) for at in (first_at, last_at))
    return f"{first:%-d %b %Y} until {last:%-d %b %Y}"
