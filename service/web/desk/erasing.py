"""Erasing a person: what goes, what waits and what stays is said before the button."""

from __future__ import annotations

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.operations import erasing
from service.operations.admin_roles import AdminRole
from service.operations.erasing import WaitingDive, Waits
from service.web.context import web
from service.web.desk.people import person_of
from service.web.desk.sitting import at_desk, desk
from service.web.speaking import clock

pages = Blueprint("desk_erasing", __name__)

_WHY = {
    Waits.OPEN: "is open",
    Waits.JUST_CLOSED: "was closed less than a day ago",
    Waits.CARRIED: "has a message that is still on its way",
    Waits.ALARM: "had an alarm, and is kept as the proof of it",
    Waits.KEPT: "is kept on the word of an admin",
}


@pages.get("/admin/people/erasures")
@at_desk(AdminRole.OWNER)
def show() -> ResponseReturnValue:
    """Who was to be erased, and what still waits."""
    return render_template(
        "desk/erasures.html", erasures=erasing.listing(web().service, desk().admin.club_id), why=_waits_for, **_times()
    )


@pages.get("/admin/people/<person_id>/erase")
@at_desk(AdminRole.OWNER)
def ask(person_id: str) -> ResponseReturnValue:
    """What erasing them would do."""
    return _ask_page(person_id)


@pages.post("/admin/people/<person_id>/erase")
@at_desk(AdminRole.OWNER)
def erase(person_id: str) -> ResponseReturnValue:
    """Erase them, once that was confirmed by a tick."""
    person_of(person_id)
    if request.form.get("sure") != "yes":
        return _ask_page(person_id, "Tick that you are sure: nobody can bring this back."), 422
    if erasing.erase_person(web().service, desk().admin, person_id) is None:
        abort(404)
    return redirect("/admin/people/erasures", 303)


def _ask_page(person_id: str, wrong: str = "") -> str:
    person = person_of(person_id)
    found = erasing.plan(web().service, desk().admin.club_id, person_id) or abort(404)
    return render_template("desk/erase.html", person=person, plan=found, why=_waits_for, wrong=wrong, **_times())


def _waits_for(dive: WaitingDive) -> str:
    until = (
        "" if dive.until_at is None else f", until {clock(dive.until_at, desk().admin.zone, web().service.clock.now())}"
    )
    return f"Dive {dive.reference}, {dive.site_name}: {_WHY[dive.why]}{until}"


def _times() -> dict[str, object]:
    return {"zone": desk().admin.zone, "now": web().service.clock.now()}
