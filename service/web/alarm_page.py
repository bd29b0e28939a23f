"""A contact's page: all that a rescue call needs, what to do now, and the answers.

Link previewers and scanners open links, and some press buttons. So opening only leaves an entry in the log, and an
answer counts only with the two characters that are printed in the text itself.
"""

from __future__ import annotations

import logging

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue
from sqlalchemy.exc import SQLAlchemyError

from service.domain import codes
from service.domain.dive import Command, Dive, Phase
from service.domain.dive.commands import Acknowledge, ReportCalled, ReportSafe
from service.domain.wording import LinkKind
from service.operations.pages import LinkView, link_actor, note_view
from service.web.access import Who, open_to
from service.web.context import web
from service.web.dive_page import UnusableError, count_typed
from service.web.dive_words import moments, standing
from service.web.links import acted, opened
from service.web.outcomes import told

pages = Blueprint("alarm", __name__)

VIEW_NOT_NOTED = "web.alarm_view_not_noted"
INCIDENT_MAX = 60

WRONG_REFERENCE = (
    "That is not the reference in your text, so nothing changed. It is two characters, a digit and a letter, after"
    " \N{LEFT DOUBLE QUOTATION MARK}Reply OK\N{RIGHT DOUBLE QUOTATION MARK} or \N{LEFT DOUBLE QUOTATION MARK}Ref"
    "\N{RIGHT DOUBLE QUOTATION MARK}."
)

_log = logging.getLogger(__name__)


@pages.get("/alarm/<token>")
@open_to(Who.LINK_HOLDER)
def show(token: str) -> ResponseReturnValue:
    """What is known and what to do. That it was opened is logged, and counts as nothing."""
    view = opened(token, LinkKind.ALARM)
    if request.method == "GET":
        _note(view)
    return _page(view)


@pages.post("/alarm/<token>")
@open_to(Who.LINK_HOLDER)
def answer(token: str) -> ResponseReturnValue:
    """One of the answers."""
    view = opened(token, LinkKind.ALARM)
    if codes.read_reference(request.form.get("reference", "")) != view.dive.reference:
        return _page(view, errors={"reference": WRONG_REFERENCE}, status=422)
    try:
        command = _command(view)
    except UnusableError as error:
        return _page(view, errors={"count": str(error)}, status=422)
    view, applied = acted(view, command)
    wrong = applied.refusal is not None
    return _page(view, told_words=told(applied, view.now), went_wrong=wrong, status=409 if wrong else 200)


def _note(view: LinkView) -> None:
    try:
        note_view(web().service, view)
    except SQLAlchemyError:
        # A contact must see the page even while nothing can be written.
        _log.exception(VIEW_NOT_NOTED, extra={"dive_id": view.dive.id})


def _command(view: LinkView) -> Command:
    pressed = request.form.get("do", "")
    if pressed == "ok":
        return Acknowledge(link_actor(view, "I have it"))
    if pressed == "called":
        incident = " ".join(request.form.get("incident", "").split())[:INCIDENT_MAX]
        return ReportCalled(link_actor(view, f"I have called rescue {incident}".strip()), incident or None)
    if pressed == "safe":
        count = count_typed("count")
        return ReportSafe(link_actor(view, f"They are safe, {count}"), count=count)
    raise UnusableError("Use one of the buttons. Nothing changed.")


def _page(
    view: LinkView,
    *,
    told_words: str | None = None,
    went_wrong: bool = False,
    errors: dict[str, str] | None = None,
    status: int = 200,
) -> ResponseReturnValue:
    page = render_template(
        "alarm.html",
        view=view,
        dive=view.dive,
        now=view.now,
        standing=standing(view.dive),
        moments=moments(view.dive, view.now),
        alarmed=view.dive.alarmed,
        acting=_acting(view.dive),
        told_words=told_words,
        went_wrong=went_wrong,
        errors=errors or {},
        typed=request.form if errors else {},
        over=view.dive.phase is Phase.CLOSED,
    )
    return page, status


def _acting(dive: Dive) -> tuple[str, ...]:
    """The names of those who said that they have it."""
    people = (dive.person(answered.key) for answered in dive.acknowledged)
    return tuple(person.name for person in people if person is not None)
