"""One dive at the desk: what is known, what happened, and what an officer can do about it.

Whoever presses a button here is signed in, so no reference is asked for; closing asks for a reason and a head count.
The forms carry the version of the dive that the page shows: what would lower an alarm is not done from an old page.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from http import HTTPStatus
from typing import Final
from zoneinfo import ZoneInfo

import msgspec
from flask import Blueprint, Response, abort, render_template, request
from flask.typing import ResponseReturnValue

from service.domain.dive import Command, Dive, Phase
from service.domain.dive.commands import (
    Acknowledge,
    AddNote,
    CallOff,
    Extend,
    RaiseNow,
    ReportCalled,
    ReportSafe,
    TakeBackCalled,
)
from service.domain.people import Actor
from service.operations.admin_roles import AdminRole
from service.operations.closing import CannotCloseError, close_at_desk
from service.operations.desk_dives import (
    DiveAtDesk,
    act_at_desk,
    desk_actor,
    dive_at_desk,
)
from service.operations.old_pages import DoneBefore, Moved
from service.operations.pages import TimelineEntry
from service.operations.unread_help import call_for_help
from service.store.dives import UnreadableDive
from service.store.plain_columns import RowFacts
from service.web.context import web
from service.web.desk.board_words import shown_alone
from service.web.desk.desk_outcomes import told_at_desk
from service.web.desk.sitting import at_desk, desk
from service.web.typed import NOTHING_CHANGED, UnusableError, count_typed, minutes_typed, version_seen, words_typed

pages = Blueprint("desk_dives", __name__)

NOTE_MAX: Final = 500
REASON_MAX: Final = 200
INCIDENT_MAX: Final = 60
PRESSED_TWICE: Final = "That is done already: the button was pressed twice, and counts once."


@dataclass(frozen=True, slots=True)
class _Answer:
    """What the page says of the button that was pressed."""

    status: int = HTTPStatus.OK
    words: str | None = None
    went_wrong: bool = False
    error: UnusableError | None = None
    since: tuple[TimelineEntry, ...] | None = None  # what happened meanwhile, where the page was too old


@pages.get("/admin/dives/<dive_id>")
@at_desk(AdminRole.VIEWER)
def show(dive_id: str) -> ResponseReturnValue:
    """One dive of the club."""
    return _page(_found(dive_id), _Answer())


@pages.get("/admin/dives/<dive_id>/standing")
@at_desk(AdminRole.VIEWER)
def stands(dive_id: str) -> Response:
    """Whether the page is still good: `look` changes when it is not; `at` is the time now at the site."""
    found = _found(dive_id)
    body = msgspec.json.encode({"look": _look(found), "at": _seconds(found)})
    return Response(body, content_type="application/json")


@pages.post("/admin/dives/<dive_id>")
@at_desk(AdminRole.OFFICER)
def act(dive_id: str) -> ResponseReturnValue:
    """One of the buttons."""
    found = _found(dive_id)
    if isinstance(found, RowFacts):
        return _raise_unreadable(found) if request.form.get("do") == "raise" else _close_unreadable(found)
    try:
        command = _command(found.line.dive)
    except UnusableError as error:
        return _page(found, _Answer(HTTPStatus.UNPROCESSABLE_ENTITY, error=error))
    try:
        done = act_at_desk(web().service, desk().admin, dive_id, command, version_seen()) or abort(404)
    except UnreadableDive:
        return _page(_found(dive_id), _Answer(HTTPStatus.CONFLICT))
    match done:
        case DoneBefore():
            answer = _Answer(words=PRESSED_TWICE)
        case Moved(since=since):
            answer = _Answer(HTTPStatus.CONFLICT, since=since)
        case _:
            wrong = done.refusal is not None
            words = told_at_desk(done, web().service.clock.now())
            answer = _Answer(HTTPStatus.CONFLICT if wrong else HTTPStatus.OK, words, went_wrong=wrong)
    return _page(_found(dive_id), answer)


def _found(dive_id: str) -> DiveAtDesk | RowFacts:
    return dive_at_desk(web().service, desk().admin.club_id, dive_id) or abort(404)


def _page(found: DiveAtDesk | RowFacts, answer: _Answer) -> ResponseReturnValue:
    errors = {} if answer.error is None else {answer.error.field: str(answer.error)}
    typed = request.form.to_dict() if errors or answer.since is not None or answer.went_wrong else {}
    shared = {"answer": answer, "errors": errors, "typed": typed, "may": desk().admin.role.may(AdminRole.OFFICER)}
    if isinstance(found, RowFacts):
        return render_template("desk/dive_unread.html", facts=found, **shared), answer.status
    dive = found.line.dive
    page = render_template(
        "desk/dive.html",
        dive=dive,
        now=found.now,
        zone=dive.plan.site.zone,
        shown=shown_alone(found.line, found.now, desk().admin.zone),
        reach=found.line,
        happened=found.happened,
        look=_look(found),
        looked_at=_seconds(found),
        deeds=_deeds(dive),
        **shared,
    )
    return page, answer.status


def _look(found: DiveAtDesk | RowFacts) -> str:
    if isinstance(found, RowFacts):
        return str(found.version)
    return f"{found.line.dive.version}.{int(found.now.timestamp() // 60)}"


def _seconds(found: DiveAtDesk | RowFacts) -> str:
    zone = found.zone if isinstance(found, RowFacts) else found.line.dive.plan.site.zone
    return f"{web().service.clock.now().astimezone(ZoneInfo(zone)):%H:%M:%S}"


def _deeds(dive: Dive) -> frozenset[str]:
    """What there is to be done about a dive as it stands; the rules are asked again when it is pressed."""
    mine = desk_actor(desk().admin, "").own_key
    unsaid = dive.phase is Phase.FILED or (dive.assumed and not dive.start_said and not dive.alarmed)
    can = {
        "answer": dive.alarmed and all(told.key != mine for told in dive.acknowledged),
        "called": dive.live,
        "not_called": dive.live and bool(dive.rescue_calls),
        "close": dive.live,
        "raise": not dive.alarmed and (dive.phase is not Phase.CLOSED or dive.can_reopen(web().service.clock.now())),
        "extend": dive.live and not dive.alarmed,
        "call_off": unsaid,
        "note": True,
    }
    return frozenset(name for name, possible in can.items() if possible)


def _command(dive: Dive) -> Command:
    make = _BUTTONS.get(request.form.get("do", ""))
    if make is None:
        raise UnusableError(f"Use one of the buttons. {NOTHING_CHANGED}")
    return make(dive)


def _by(words: str) -> Actor:
    return desk_actor(desk().admin, words)


def _needed(name: str, most: int, what: str) -> str:
    words = words_typed(name, most)
    if not words:
        raise UnusableError(f"{what} {NOTHING_CHANGED}", name)
    return words


def _answer_it(_: Dive) -> Command:
    return Acknowledge(_by("I have it"))


def _called(_: Dive) -> Command:
    """It ends everybody's repeats, so one slip of a finger must not say it."""
    who = _needed("called_reason", REASON_MAX, "Say who has spoken to rescue, and when.")
    incident = words_typed("incident", INCIDENT_MAX)
    return ReportCalled(_by(f"Rescue has been called {incident}".strip() + f": {who}"), incident or None)


def _not_called(dive: Dive) -> Command:
    """Of several the one whose word it is: what another has said may well stand."""
    how = _needed("not_called_reason", REASON_MAX, "Say how you know that it was not.")
    whose = next((call.by for call in dive.rescue_calls if call.by.own_key == request.form.get("whose")), None)
    if whose is None:
        raise UnusableError(f"Say whose word it is that does not hold. {NOTHING_CHANGED}", "whose")
    return TakeBackCalled(_by(f"Rescue was not called, as {whose.name} had said: {how}"), whose=whose.own_key)


def _close(dive: Dive) -> Command:
    reason = _needed("reason", REASON_MAX, "Say how you know that they are safe.")
    count = count_typed("count")
    if count > dive.head_count:
        raise UnusableError(f"{count} is more than the {dive.head_count} of this dive. {NOTHING_CHANGED}", "count")
    return ReportSafe(_by(f"{count} safe: {reason}"), count=count, reason=reason)


def _raise(_: Dive) -> Command:
    note = words_typed("raise_note", NOTE_MAX)
    return RaiseNow(_by("The club raises the alarm"), note=note or None)


def _extend(_: Dive) -> Command:
    minutes = minutes_typed("minutes")
    return Extend(_by(f"Due out {minutes} min later"), minutes=minutes)


def _call_off(_: Dive) -> Command:
    reason = _needed("call_off_reason", REASON_MAX, "Say how you know that nobody goes in.")
    return CallOff(_by(f"Called off: {reason}"))


def _note(_: Dive) -> Command:
    words = _needed("note", NOTE_MAX, "Write what is to be noted.")
    return AddNote(_by("Note"), words)


_BUTTONS: Final[dict[str, Callable[[Dive], Command]]] = {
    "answer": _answer_it,
    "called": _called,
    "not_called": _not_called,
    "close": _close,
    "raise": _raise,
    "extend": _extend,
    "call_off": _call_off,
    "note": _note,
}


def _raise_unreadable(facts: RowFacts) -> ResponseReturnValue:
    """By a page that could still be made."""
    words = f"The club raises the alarm {words_typed('raise_note', NOTE_MAX)}".strip()
    called = call_for_help(web().service, facts.dive_id, _by(words))
    if called is None or not called.told:
        answer = _Answer(HTTPStatus.CONFLICT, "Nobody was told. Phone the contacts, and rescue.", went_wrong=True)
    else:
        answer = _Answer(words="The contacts are told that there may be trouble. Phone them too, and rescue.")
    return _page(_found(facts.dive_id), answer)


def _close_unreadable(facts: RowFacts) -> ResponseReturnValue:
    try:
        reason = _needed("reason", REASON_MAX, "Say how you know that they are safe.")
        close_at_desk(web().service, desk().admin, facts.dive_id, reason)
    except UnusableError as error:
        return _page(facts, _Answer(HTTPStatus.UNPROCESSABLE_ENTITY, error=error))
    except CannotCloseError as error:
        return _page(_found(facts.dive_id), _Answer(HTTPStatus.CONFLICT, f"{error}.", went_wrong=True))
    words = "Closed. Everybody who was told anything is told now."
    return _page(_found(facts.dive_id), _Answer(words=words))
