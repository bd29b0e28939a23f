"""One dive as the log has it: stepped through with what was believed at any moment, checked, taken out, and kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from flask import Blueprint, Response, abort, make_response, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.documents.dive_log_pdf import LINES_MAX, MEDIA_TYPE, to_pdf
from service.operations.admin_roles import AdminRole
from service.operations.dive_log import Belief, DiveLog, Line, belief_at, dive_log
from service.operations.keeping import NotDone, keep, let_go
from service.operations.log_checking import Checked, check_dive
from service.operations.log_exporting import note_report, take_out
from service.store.log_search import Wanted
from service.web.context import web
from service.web.desk.log import PATH, always, note_quietly
from service.web.desk.log_files import CSV, JSON_LINES, PDF, as_file
from service.web.desk.log_report import report_of
from service.web.desk.sitting import at_desk, desk
from service.web.dive_words import standing

pages = Blueprint("desk_log_dive", __name__)

DIVE_PATH: Final = f"{PATH}/dive/<dive_id>"
SHOWN: Final = 100  # entries on one page


@dataclass(frozen=True, slots=True)
class Stop:
    """Where somebody stands in a dive's log: the entry, those shown around it, and the changes before and after it."""

    at: Line | None
    lines: Sequence[Line]
    before: int | None
    after: int | None
    earlier: int | None  # the entry that stands for those shown before these
    later: int | None


@pages.get(DIVE_PATH)
@at_desk(AdminRole.VIEWER)
def show(dive_id: str) -> ResponseReturnValue:
    """The timeline; `?at=` is the entry after which to say what was believed. That somebody looked is logged."""
    found = _found(dive_id)
    if request.method == "GET" and "at" not in request.args:
        note_quietly(dive_id)
    return _page(found)


@pages.post(f"{DIVE_PATH}/check")
@at_desk(AdminRole.OFFICER)
def check(dive_id: str) -> ResponseReturnValue:
    """Check its chain, and its row against the fold."""
    found = _found(dive_id)
    return _page(found, checked=check_dive(web().service, desk().admin, dive_id))


@pages.post(f"{DIVE_PATH}/export")
@at_desk(AdminRole.OFFICER)
def export(dive_id: str) -> ResponseReturnValue:
    """Its chain as a file, or a report of it on paper."""
    found, form = _found(dive_id), request.form.get("format", "")
    what = f"the log of dive {dive_id}"
    if form == PDF:
        if len(found.lines) > LINES_MAX:
            words = f"This dive has more than {LINES_MAX:,} entries, too many for paper. Take them out as JSON lines."
            return _page(found, wrong=words, status=422)
        note_report(web().service, desk().admin, what)
        return _pdf(found)
    if form not in (JSON_LINES, CSV):
        return _page(found, wrong="Choose how to take it out: as JSON lines, CSV or PDF.", status=422)
    entries = take_out(web().service, desk().admin, Wanted(desk().admin.club_id, dive_ids=(dive_id,)), form, what)
    if isinstance(entries, NotDone):
        return _page(found, wrong=entries.words, status=422)
    return as_file(entries, form, f"linetender-{found.standing.reference}-log")


@pages.post(f"{DIVE_PATH}/keep")
@at_desk(AdminRole.OWNER)
def keep_it(dive_id: str) -> ResponseReturnValue:
    """Keep it whole for a reason, or no longer."""
    found, reason = _found(dive_id), request.form.get("reason", "")
    admin = desk().admin
    if request.form.get("do") == "let_go":
        refused = let_go(web().service, admin, dive_id)
    else:
        refused = keep(web().service, admin, dive_id, reason)
    if refused is not None:
        return _page(found, keep_wrong=refused.words, reason=reason, status=422)
    return redirect(f"{PATH}/dive/{dive_id}?at={_at(found) or ''}#keep", 303)


def _found(dive_id: str) -> DiveLog:
    return dive_log(web().service, desk().admin.club_id, dive_id) or abort(404)


def _page(
    found: DiveLog,
    *,
    checked: Checked | None = None,
    wrong: str | None = None,
    keep_wrong: str | None = None,
    reason: str = "",
    status: int = 200,
) -> ResponseReturnValue:
    stop = _stop(found)
    belief = Belief(None) if stop.at is None else belief_at([line.entry for line in found.lines], stop.at.entry.seq)
    words = always()
    if found.dive is not None:
        words["zone"] = found.dive.plan.site.zone
    page = render_template(
        "desk/log_dive.html",
        found=found,
        stop=stop,
        belief=belief,
        standing=None if belief.dive is None else standing(belief.dive),
        path=f"{PATH}/dive/{found.dive_id}",
        checked=checked,
        wrong=wrong,
        keep_wrong=keep_wrong,
        reason=reason,
        **words,
    )
    return page, status


def _at(found: DiveLog) -> int | None:
    """The entry that the address asks for, the nearest there is; the last without one."""
    if not found.lines:
        return None
    last = found.lines[-1].entry.seq
    asked = request.args.get("at", "")
    given = int(asked) if asked.isascii() and asked.isdecimal() and len(asked) <= len(str(last)) else last
    return min(max(given, 1), last)


def _stop(found: DiveLog) -> Stop:
    at = _at(found)
    if at is None:
        return Stop(None, (), None, None, None, None)
    changes = [line.entry.seq for line in found.lines if line.is_event]
    begin = (at - 1) // SHOWN * SHOWN
    end = begin + SHOWN
    return Stop(
        at=found.lines[at - 1],
        lines=found.lines[begin:end],
        before=max((seq for seq in changes if seq < at), default=None),
        after=min((seq for seq in changes if seq > at), default=None),
        earlier=begin or None,
        later=end + 1 if end < len(found.lines) else None,
    )


def _pdf(found: DiveLog) -> Response:
    response = make_response(to_pdf(report_of(web().service, desk().admin, found)))
    response.headers["Content-Type"] = MEDIA_TYPE
    name = f"linetender-{found.standing.reference}-log.pdf"
    response.headers["Content-Disposition"] = f'attachment; filename="{name}"'
    return response
