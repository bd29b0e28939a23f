"""The club's log: looked through, checked, and taken out."""

from __future__ import annotations

import logging
from datetime import UTC, datetime
from typing import Final

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from sqlalchemy.exc import SQLAlchemyError

from service.operations.admin_roles import AdminRole
from service.operations.keeping import NotDone
from service.operations.log_checking import From, check_club
from service.operations.log_exporting import ENTRIES_MAX, take_out
from service.operations.log_looking import look, note_look
from service.operations.log_words import kind_words
from service.store.log_search import LOOKED_THROUGH_MAX
from service.web.context import web
from service.web.desk.log_files import CSV, JSON_LINES, as_file
from service.web.desk.log_query import Query, read_query
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_log", __name__)

PATH: Final = "/admin/log"
LOOK_NOT_NOTED: Final = "web.log_look_not_noted"

_log = logging.getLogger(__name__)


@pages.get(PATH)
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """The newest entries, or those that were asked for. That somebody looked is logged."""
    query = _query(request.args)
    if request.method == "GET":
        note_quietly(None)
    return _page(query, status=422 if query.errors else 200)


@pages.post(f"{PATH}/check")
@at_desk(AdminRole.OFFICER)
def check() -> ResponseReturnValue:
    """Check the club's chains, or go on where the last piece ended."""
    after = _from()
    checked = check_club(web().service, desk().admin, after)
    return render_template("desk/log_checked.html", checked=checked, began=after is None, **always())


@pages.post(f"{PATH}/export")
@at_desk(AdminRole.OFFICER)
def export() -> ResponseReturnValue:
    """The log of a period as a file. Who, kind and words do not narrow it: a chain with gaps proves nothing."""
    query = _query(request.form)
    form = request.form.get("format", "")
    if query.errors or form not in (JSON_LINES, CSV):
        return _page(query, status=422)
    admin = desk().admin
    days = f"from {query.typed['since'] or 'the beginning'} to {query.typed['until'] or 'now'}"
    period = query.whole_period()
    found = take_out(web().service, admin, period, form, f"the log {days}")
    if isinstance(found, NotDone):
        return _page(query, not_done=found.words, status=422)
    return as_file(found, form, f"linetender-log-{admin.club_id}")


def note_quietly(dive_id: str | None) -> None:
    """Log that the log was looked at. It must be seen even while nothing can be written."""
    try:
        note_look(web().service, desk().admin, dive_id)
    except SQLAlchemyError:
        _log.exception(LOOK_NOT_NOTED)


def always() -> dict[str, object]:
    """What every page of the log needs."""
    now: datetime = web().service.clock.now()
    return {"zone": desk().admin.zone, "now": now, "kind_words": kind_words, "pretty": _pretty}


def _query(given: object) -> Query:
    return read_query(desk().admin.club_id, desk().admin.zone, given)


def _page(query: Query, *, not_done: str | None = None, status: int = 200) -> ResponseReturnValue:
    looked = look(web().service, query.wanted, query.reference, query.after)
    page = render_template(
        "desk/log.html",
        query=query,
        looked=looked,
        older=None if looked.page.after is None else query.address(PATH, looked.page.after),
        newest=query.address(PATH),
        looked_max=LOOKED_THROUGH_MAX,
        export_max=ENTRIES_MAX,
        not_done=not_done,
        **always(),
    )
    return page, status


def _from() -> From | None:
    """The dive after which to go on, where the form says it."""
    try:
        at = datetime.fromisoformat(request.form.get("filed_at", "")).astimezone(UTC)
        return From(at, request.form["dive_id"])
    except (ValueError, KeyError, OverflowError):
        return None


def _pretty(value: object) -> str:
    """A recorded value, a field on each line, without the marks of a program."""
    lines: list[str] = []
    _tell(value, "", lines)
    return "\n".join(lines)


def _tell(value: object, name: str, lines: list[str]) -> None:
    if isinstance(value, dict):
        for key, inner in value.items():
            _tell(inner, f"{name}.{key}" if name else str(key), lines)
    elif isinstance(value, list):
        for place, inner in enumerate(value):
            _tell(inner, f"{name}.{place + 1}", lines)
    elif value is not None:
        lines.append(f"{name}: {value}")
