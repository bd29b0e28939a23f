"""One site in a form, with the sketch that it makes. Only here the browser may be asked where the phone is.

Every button sends the whole form: the server reads it, says how it understood each position, and draws. A script does
the same while somebody types and puts the new parts into the page; without it there is a button.
"""

from __future__ import annotations

from dataclasses import dataclass

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup

from service.documents.site_reading import FILE_BYTES_MAX, SiteFileError
from service.documents.sketch_svg import to_svg
from service.domain.dialling import NO_NUMBER, number_to_dial
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePlan
from service.domain.place.site_advice import site_advice, tide_advice
from service.domain.place.sketch import draw
from service.operations.admin_roles import AdminRole
from service.operations.site_editing import SiteOpened, defaults, open_site, save_site
from service.operations.site_keeping import Kept, Meanwhile, StaleSiteError
from service.web.context import web
from service.web.desk.room import with_room
from service.web.desk.site_form import (
    SiteForm,
    empty_form,
    form_of,
    moved_up,
    name_of,
    read_form,
    rows_of,
    with_rows,
)
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_site_editor", __name__)

KIND_WORDS = {kind: str(kind).replace("_", " ") for kind in PointKind}
NEW = "/admin/sites/new-site"  # with a hyphen, which no code of a site has
GONE = "This site is no longer in use, or has another code now. Nothing was saved. Go back to the list."


@dataclass(frozen=True, slots=True)
class _At:
    """Which site is open, None for a new one; where its form goes, and near what short codes are looked for."""

    opened: SiteOpened | None
    path: str
    zone: str
    near: Position | None


@pages.get(NEW)
@at_desk(AdminRole.OFFICER)
def new() -> ResponseReturnValue:
    """A form with nothing in it but what the club would take anyway."""
    known = defaults(web().service, desk().admin.club_id)
    return _page(_At(None, NEW, known.zone, known.near), empty_form("", known.rescue_call))


@pages.post(NEW)
@with_room(FILE_BYTES_MAX)
@at_desk(AdminRole.OFFICER)
def add() -> ResponseReturnValue:
    """Draw what was typed, or keep it as a new site."""
    known = defaults(web().service, desk().admin.club_id)
    return _posted(_At(None, NEW, known.zone, known.near))


@pages.get("/admin/sites/<code>")
@at_desk(AdminRole.VIEWER)
def one(code: str) -> ResponseReturnValue:
    """A site as it is. `?saved=` says that it was just kept."""
    at = _opened(code)
    form = form_of(at.opened.site) if at.opened else abort(404)
    return _page(at, form, saved=request.args.get("saved") == "yes")


@pages.post("/admin/sites/<code>")
@with_room(FILE_BYTES_MAX)
@at_desk(AdminRole.OFFICER)
def change(code: str) -> ResponseReturnValue:
    """Draw what was typed, or keep it."""
    return _posted(_opened(code))


def _opened(code: str) -> _At:
    opened = open_site(web().service, desk().admin.club_id, code)
    if opened is None:
        abort(404)
    site = opened.site
    return _At(opened, f"/admin/sites/{site.code}", site.zone or desk().admin.zone, site.position)


def _posted(at: _At) -> ResponseReturnValue:
    do = request.form.get("do", "draw")
    given = request.form.to_dict()
    if do == "add":
        given = with_rows(given, [*rows_of(given), {"kind": ""}])
    elif do.startswith("up-") and do[3:].isascii() and do[3:].isdecimal():
        given = with_rows(given, moved_up(rows_of(given), int(do[3:6])))
    form = read_form(given, at.near)
    if do != "save":
        return _page(at, form.as_far_as_typed(), made_from=given.get("made_from"))
    if form.read is None:
        return _page(at, form, made_from=given.get("made_from"), status=422)
    return _save(at, form, given.get("made_from", ""))


def _save(at: _At, form: SiteForm, made_from: str) -> ResponseReturnValue:
    if form.read is None:
        return _page(at, form, made_from=made_from, status=422)
    of = None if at.opened is None else at.opened.site.code
    try:
        kept = save_site(web().service, desk().admin, form.read, of=of, opened=made_from if of else None)
    except StaleSiteError as stale:
        # Whoever has seen what changed may save over it: the form is now made from that.
        return _page(at, form, stale=stale.meanwhile, status=409)
    except SiteFileError as refused:
        return _page(at, form, refused=[fault.words for fault in refused.faults], made_from=made_from, status=422)
    except LookupError:
        return _page(at, form, refused=[GONE], made_from=made_from, status=409)
    if kept.notes:
        return _kept_page(kept)
    return redirect(f"/admin/sites/{kept.row.code}?saved=yes", 303)


def _kept_page(kept: Kept) -> ResponseReturnValue:
    """It is kept, and something about it is worth a look: that must be seen once, so it is no redirect."""
    at = _opened(kept.row.code)
    if at.opened is None:
        abort(404)
    return _page(at, form_of(at.opened.site), saved=True, notes=[note.words for note in kept.notes])


def _page(
    at: _At,
    form: SiteForm,
    *,
    made_from: str | None = None,
    saved: bool = False,
    notes: list[str] | None = None,
    refused: list[str] | None = None,
    stale: tuple[Meanwhile, ...] | None = None,
    status: int = 200,
) -> ResponseReturnValue:
    now, opened = web().service.clock.now(), at.opened
    advice = [] if form.imagined is None else list(site_advice(form.imagined))
    rescue_call = form.values["rescue_call"].strip()
    if rescue_call and number_to_dial(rescue_call, desk().admin.country) is None:
        advice.insert(0, NO_NUMBER)
    tides = None if opened is None else tide_advice(form.imagined or opened.site, opened.tides_until_at, now)
    page = render_template(
        "desk/site.html",
        at=at,
        opened=opened,
        form=form,
        drawing=_drawing(form, at.zone),
        advice=[*advice, *([tides] if tides else [])],
        made_from=made_from or (opened.mark if opened else ""),
        saved=saved,
        notes=notes or [],
        refused=refused or [],
        stale=stale,
        kinds=KIND_WORDS,
        name_of=name_of,
        may_edit=desk().admin.role.may(AdminRole.OFFICER) and (opened is None or opened.retired_at is None),
        now=now,
        zone=at.zone,
    )
    return page, status


def _drawing(form: SiteForm, zone: str) -> Markup | None:
    site = form.imagined
    if site is None:
        return None
    plan = SitePlan(
        name=site.name, zone=zone, rescue_call="", position=site.position, points=site.points, shoreline=site.shoreline
    )
    sketch = draw(plan)
    # It is made of our own marks, and of words that are escaped in it.
    # Every word in it is escaped where it is drawn.
    return None if sketch is None else Markup(to_svg(sketch, title=f"Sketch of {site.name}"))  # noqa: S704
