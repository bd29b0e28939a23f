"""People out as CSV, and in from CSV: shown line by line before anything happens."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import ParamSpec

from flask import Blueprint, Response, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.documents.people_csv import BYTES_MAX, COLUMNS, LINES_MAX, MEDIA_TYPE, PeopleFileError
from service.operations.admin_roles import AdminRole
from service.operations.people_files import CHANGED, ImportPlan, confirm, export, give_up, look_at
from service.web.context import web
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_people_files", __name__)

UPLOAD_MAX = BYTES_MAX + 64 * 1024  # with the form around it
P = ParamSpec("P")


def takes_a_file(view: Callable[P, ResponseReturnValue]) -> Callable[P, ResponseReturnValue]:
    """Let a request to this view be as large as a list may be; all others stay small."""

    @wraps(view)
    def served(*args: P.args, **kwargs: P.kwargs) -> ResponseReturnValue:
        request.max_content_length = UPLOAD_MAX
        return view(*args, **kwargs)

    return served


@pages.post("/admin/people/export")
@at_desk(AdminRole.OFFICER)
def export_csv() -> ResponseReturnValue:
    """Everybody, as a file for a spreadsheet. It is in the log, so it takes a button."""
    response = Response(export(web().service, desk().admin), content_type=f"{MEDIA_TYPE}; charset=utf-8")
    response.headers["Content-Disposition"] = 'attachment; filename="people.csv"'
    return response


@pages.get("/admin/people/import")
@at_desk(AdminRole.OFFICER)
def choose() -> ResponseReturnValue:
    """Choose a file."""
    return _choose_page()


@pages.post("/admin/people/import")
@takes_a_file
@at_desk(AdminRole.OFFICER)
def look() -> ResponseReturnValue:
    """What the file would do; nothing happens yet."""
    try:
        plan = look_at(web().service, desk().admin, _uploaded())
    except PeopleFileError as error:
        return _choose_page(str(error)), 422
    return _plan_page(plan)


def _uploaded() -> bytes:
    """What was chosen, no more of it than can be too much. A large one lies in a file, which must not stay open."""
    given = request.files.get("list")
    if given is None:
        return b""
    with given.stream:
        return given.stream.read(BYTES_MAX + 1)


@pages.post("/admin/people/import/confirm")
@at_desk(AdminRole.OFFICER)
def take_over() -> ResponseReturnValue:
    """Do what was shown, all of it or nothing."""
    if request.form.get("do") != "take":
        give_up(web().service, desk().admin)
        return redirect("/admin/people", 303)
    try:
        otherwise = confirm(web().service, desk().admin, request.form.get("mark", ""))
    except PeopleFileError as error:
        return _choose_page(str(error)), 422
    if otherwise is not None:
        return _plan_page(otherwise, CHANGED), 409
    return redirect("/admin/people?done=imported", 303)


def _choose_page(wrong: str = "") -> str:
    return render_template("desk/people_import.html", wrong=wrong, columns=COLUMNS[:8], most=LINES_MAX)


def _plan_page(plan: ImportPlan, note: str = "") -> str:
    return render_template("desk/people_import_plan.html", plan=plan, note=note)
