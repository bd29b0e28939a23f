"""Who may be there twice, and making one of two."""

from __future__ import annotations

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.operations import people as known
from service.operations import people_merging as merging
from service.operations.admin_roles import AdminRole
from service.web.context import web
from service.web.desk.people import person_of
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_people_merging", __name__)


@pages.get("/admin/people/duplicates")
@at_desk(AdminRole.VIEWER)
def duplicates() -> ResponseReturnValue:
    """Who has the same name, and whose phone is named otherwise by somebody."""
    twins, others = merging.candidates(web().service, desk().admin.club_id)
    return render_template("desk/people_duplicates.html", twins=twins, others=others, may_change=_may_change())


@pages.get("/admin/people/<person_id>/merge")
@at_desk(AdminRole.OFFICER)
def choose(person_id: str) -> ResponseReturnValue:
    """Choose the other with `?with=`, and see what would be kept."""
    person = person_of(person_id)
    other_id = request.args.get("with", "")
    if not other_id:
        others = [one for one in known.names(web().service, desk().admin.club_id) if one[0] != person_id]
        return render_template("desk/people_merge.html", person=person, others=others, other=None)
    return _preview_page(person_id, other_id)


@pages.post("/admin/people/<person_id>/merge")
@at_desk(AdminRole.OFFICER)
def merge(person_id: str) -> ResponseReturnValue:
    """Keep this one, with what either has."""
    person_of(person_id)
    other_id, phone = request.form.get("other", ""), request.form.get("phone", "")
    if phone not in ("kept", "other"):
        return _preview_page(person_id, other_id, "Say which phone is theirs."), 422
    done = merging.merge(web().service, desk().admin, person_id, other_id, other_phone=phone == "other")
    if not done:
        abort(404)
    return redirect(f"/admin/people/{person_id}", 303)


def _preview_page(person_id: str, other_id: str, wrong: str = "") -> str:
    person, other = person_of(person_id), person_of(other_id)
    club_id = desk().admin.club_id
    found = merging.preview(web().service, club_id, person_id, other_id, other_phone=False) or abort(404)
    return render_template("desk/people_merge.html", person=person, other=other, merged=found, wrong=wrong)


def _may_change() -> bool:
    return desk().admin.role.may(AdminRole.OFFICER)
