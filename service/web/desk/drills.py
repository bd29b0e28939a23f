"""Drills: begun, watched, ended, and their reports, which print and come as CSV."""

from __future__ import annotations

from collections.abc import Iterator

from flask import Blueprint, Response, abort, make_response, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.documents.drill_csv import MEDIA_TYPE, DrillRowOut, to_csv
from service.operations.admin_roles import AdminRole
from service.operations.drill_people import MYSELF, who_can
from service.operations.drill_report import DrillReport, drill_report, list_drills
from service.operations.drilling import (
    CONTACTS_MAX,
    DRILLS_A_DAY,
    DUE_OUT_MAX,
    DUE_OUT_MIN,
    DrillRefused,
    DrillWanted,
    start_drill,
    stop_drill,
)
from service.operations.sites import list_sites
from service.web.context import web
from service.web.desk.sitting import at_desk, desk
from service.web.message_words import CHANNEL_WORDS

pages = Blueprint("desk_drills", __name__)

KIND_WORDS = {
    "distress": "call rescue now",
    "alert": "alert",
    "stand_down": "stand-down",
    "reminder": "reminder",
    "reply": "answer to a text",
    "start_notice": "start notice",
    "other": "news",
}
_USUAL = {"player": MYSELF, "due_out": "10", "grace": "", "scope": "site"}


@pages.get("/admin/drills")
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """What has been practised, and a form for the next."""
    return _page(dict(_USUAL), None)


@pages.post("/admin/drills")
@at_desk(AdminRole.OFFICER)
def start() -> ResponseReturnValue:
    """Begin one. What was typed stays in the form where it is refused."""
    form, admin = request.form, desk().admin
    contacts = tuple(phone for phone in form.getlist("contact") if phone)
    due_out, grace = _minutes(form.get("due_out", "")), _minutes(form.get("grace", ""))
    whole = form.get("scope") == "club"
    typed = {name: form.get(name, "") for name in ("site", "player", "due_out", "grace", "scope")}
    if form.get("grace", "").strip() and grace is None:
        return _page(typed, DrillRefused("grace", "Give the minutes as a number, or leave it empty."), contacts), 422
    wanted = DrillWanted(form.get("site", ""), form.get("player", ""), due_out or 0, grace, contacts, whole)
    answer = start_drill(web().service, admin, wanted)
    if isinstance(answer, DrillRefused):
        return _page(typed, answer, contacts), 422
    return redirect(f"/admin/drills/{answer.drill_id}", 303)


@pages.get("/admin/drills/<drill_id>")
@at_desk(AdminRole.VIEWER)
def one(drill_id: str) -> ResponseReturnValue:
    """The report of one, as far as it has come."""
    report = _report(drill_id)
    return render_template(
        "desk/drill.html",
        report=report,
        about=report.summary,
        kinds=KIND_WORDS,
        channels=CHANNEL_WORDS,
        zone=desk().admin.zone,
        now=web().service.clock.now(),
        may=desk().admin.role.may(AdminRole.OFFICER),
    )


@pages.post("/admin/drills/<drill_id>")
@at_desk(AdminRole.OFFICER)
def stop(drill_id: str) -> ResponseReturnValue:
    """End it now: everybody who was told anything hears that it is over."""
    if not stop_drill(web().service, desk().admin, drill_id):
        abort(404)
    return redirect(f"/admin/drills/{drill_id}", 303)


@pages.get("/admin/drills/<drill_id>/report.csv")
@at_desk(AdminRole.VIEWER)
def as_csv(drill_id: str) -> ResponseReturnValue:
    """Its messages and answers as a table."""
    response: Response = make_response(to_csv(_rows(_report(drill_id))))
    response.headers["Content-Type"] = MEDIA_TYPE
    response.headers["Content-Disposition"] = f'attachment; filename="drill-{drill_id[:8]}.csv"'
    return response


def _report(drill_id: str) -> DrillReport:
    return drill_report(web().service, desk().admin.club_id, drill_id) or abort(404)


def _page(typed: dict[str, str], refused: DrillRefused | None, contacts: tuple[str, ...] = ()) -> str:
    admin = desk().admin
    known = who_can(web().service, admin)
    return render_template(
        "desk/drills.html",
        drills=list_drills(web().service, admin.club_id),
        roll=known,
        agreed=sum(contact.agreed for contact in known.contacts),
        sites=list_sites(web().service, admin.club_id),
        typed=typed,
        chosen=contacts,
        errors={refused.field: refused.words} if refused else {},
        bounds={"day": DRILLS_A_DAY, "contacts": CONTACTS_MAX, "least": DUE_OUT_MIN, "most": DUE_OUT_MAX},
        myself=MYSELF,
        zone=admin.zone,
        now=web().service.clock.now(),
        may=admin.role.may(AdminRole.OFFICER),
    )


def _minutes(typed: str) -> float | None:
    """A whole number of minutes as typed; None for anything else."""
    words = typed.strip()
    return float(words) if words.isascii() and words.isdecimal() and len(words) <= 3 else None  # noqa: PLR2004 - digits


def _rows(report: DrillReport) -> Iterator[DrillRowOut]:
    for one_of in report.dives:
        reference = one_of.dive.reference if one_of.dive else ""
        for message in one_of.messages:
            yield DrillRowOut(
                dive=reference,
                what="message",
                person=message.name,
                way=message.channel,
                kind=message.kind,
                state=message.state,
                queued_at=message.queued_at,
                handed_at=message.handed_at,
                delivered_at=message.delivered_at,
                why=message.failed_reason,
            )
        for answer in one_of.answers:
            took = None if answer.took is None else int(answer.took.total_seconds())
            yield DrillRowOut(
                reference, "answer", answer.name, "", answer.words, "", answered_at=answer.at, seconds=took
            )
