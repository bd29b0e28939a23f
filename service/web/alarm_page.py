"""A contact's page: the next step, all that a rescue call needs, and the answers.

Link previewers and scanners open links, and some press buttons. So opening only leaves an entry in the log, and an
answer counts only with the two characters that are printed in the text itself. The form carries the version of the dive
that the page shows, so that an answer that is sent twice is given once.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass
from datetime import datetime, timedelta
from http import HTTPStatus
from itertools import groupby
from zoneinfo import ZoneInfo

import msgspec
from flask import Blueprint, Response, abort, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup
from sqlalchemy.exc import SQLAlchemyError

from service.documents.sketch_svg import to_svg
from service.domain.dive import Dive
from service.domain.handover import Pack, pack
from service.domain.handover.exit_words import ExitWords, exit_words
from service.domain.local_time import say
from service.domain.wording import LinkKind
from service.operations.pages import LinkView, TimelineEntry, note_view, pack_link, timeline
from service.operations.unread_page import tell_of_unread, unread_page
from service.store.dives import UnreadableDive
from service.web.access import Who, open_to
from service.web.alarm_answers import answer_of
from service.web.context import web
from service.web.dive_words import Moment, moments, standing
from service.web.links import Answer, opened, pressed
from service.web.next_step import next_step
from service.web.typed import UnusableError, reference_typed

pages = Blueprint("alarm", __name__)

VIEW_NOT_NOTED = "web.alarm_view_not_noted"
FACTS_FAILED = "web.alarm_facts_failed"
FAULT_NOT_TOLD = "web.alarm_fault_not_told"
MOMENTS_MAX = 30
AGES_AFTER = timedelta(minutes=5)  # "20 min ago" is written anew, and the drift drawn anew, at least so often

WRONG_REFERENCE = (
    "That is not the reference in your text, so nothing changed. It is two characters, a digit and a letter, after"
    " \N{LEFT DOUBLE QUOTATION MARK}Reply OK\N{RIGHT DOUBLE QUOTATION MARK} or \N{LEFT DOUBLE QUOTATION MARK}Ref"
    "\N{RIGHT DOUBLE QUOTATION MARK}."
)

_log = logging.getLogger(__name__)


@dataclass(frozen=True, slots=True)
class _Facts:
    """What the pack knows, drawn and in words."""

    pack: Pack
    drawing: Markup | None
    exits: tuple[ExitWords, ...]
    happened: tuple[Moment, ...]
    left_out: int


@pages.get("/alarm/<token>")
@open_to(Who.LINK_HOLDER)
def show(token: str) -> ResponseReturnValue:
    """What is known and what to do. That it was opened is logged, and counts as nothing.

    `?live`: the page's own script looks again after something changed, which is no new opening.
    """
    view = opened(token, LinkKind.ALARM)
    if request.method == "GET" and "live" not in request.args:
        _note(view)
    return _page(view)


@pages.get("/alarm/<token>/standing")
@open_to(Who.LINK_HOLDER)
def stands(token: str) -> Response:
    """Whether the page is still good: `look` changes when it is not; `at` is the time now at the site."""
    view = opened(token, LinkKind.ALARM)
    body = msgspec.json.encode({"look": _look(view), "at": _seconds(view)})
    return Response(body, content_type="application/json")


@pages.post("/alarm/<token>")
@open_to(Who.LINK_HOLDER)
def answer(token: str) -> ResponseReturnValue:
    """One of the answers, or a link for rescue."""
    view = opened(token, LinkKind.ALARM)
    if reference_typed() != view.dive.reference:
        return _unusable(view, UnusableError(WRONG_REFERENCE, "reference"))
    if request.form.get("do") == "pack_link":
        return _page(view, rescue_link=pack_link(web().service, view))
    try:
        command = answer_of(view)
    except UnusableError as error:
        return _unusable(view, error)
    return _page(*pressed(token, view, command))


@pages.errorhandler(UnreadableDive)
def unread(error: UnreadableDive) -> ResponseReturnValue:
    """What is left of a dive that cannot be read: whom to call, and that an answer here is none."""
    service, token = web().service, (request.view_args or {}).get("token", "")
    found = unread_page(service, error.dive_id, token) or abort(HTTPStatus.GONE)
    told = True
    try:
        tell_of_unread(service, found.facts)
    except SQLAlchemyError:
        told = False
        _log.exception(FAULT_NOT_TOLD, extra={"dive_id": error.dive_id})
    page = render_template(
        "alarm_unread.html", unread=found, facts=found.facts, told=told, pressed=request.method == "POST"
    )
    return page, HTTPStatus.INTERNAL_SERVER_ERROR


def _unusable(view: LinkView, error: UnusableError) -> ResponseReturnValue:
    return _page(view, Answer(HTTPStatus.UNPROCESSABLE_ENTITY, error=error))


def _note(view: LinkView) -> None:
    try:
        note_view(web().service, view)
    except SQLAlchemyError:
        # A contact must see the page even while nothing can be written.
        _log.exception(VIEW_NOT_NOTED, extra={"dive_id": view.dive.id})


def _look(view: LinkView) -> str:
    """A mark that is another whenever the page would say something else: what happened, and what time does."""
    dive = view.dive
    late = dive.raise_by_at is not None and view.now >= dive.raise_by_at
    return f"{dive.version}.{int(late)}.{int(view.now.timestamp() // AGES_AFTER.total_seconds())}"


def _seconds(view: LinkView) -> str:
    return f"{view.now.astimezone(ZoneInfo(view.dive.plan.site.zone)):%H:%M:%S}"


def _facts(view: LinkView) -> _Facts | None:
    """The facts of the pack; None where a fault of ours keeps them away, and then the page shows the plan alone."""
    try:
        made = pack(view.dive, view.now, factors=web().settings.search_factors)
        drawing = None if made.sketch is None else to_svg(made.sketch, title=f"Sketch of {made.where.site}")
        happened = _happened(view.dive, view.now)
        return _Facts(
            pack=made,
            # Made by us from shapes; every word in it is escaped there.
            drawing=None if drawing is None else Markup(drawing),  # noqa: S704
            exits=exit_words(made),
            happened=happened[-MOMENTS_MAX:],
            left_out=max(len(happened) - MOMENTS_MAX, 0),
        )
    except Exception:  # noqa: BLE001 - whatever is wrong with a drawing, who and where must be shown
        _log.exception(FACTS_FAILED, extra={"dive_id": view.dive.id})
        return None


def _happened(dive: Dive, now: datetime) -> tuple[Moment, ...]:
    """All that happened, and what still lies ahead."""
    ahead = (moment for moment in moments(dive, now) if not moment.passed)
    return (*_without_repeats(timeline(web().service, dive.id), dive, now), *ahead)


def _without_repeats(entries: tuple[TimelineEntry, ...], dive: Dive, now: datetime) -> tuple[Moment, ...]:
    """The entries as moments; of those that only say the same again, one that says how often."""
    found = []
    for words, run in groupby(entries, lambda entry: f"{entry.who}: {entry.words}" if entry.who else entry.words):
        same = list(run)
        last = say(same[-1].at, dive.plan.site.zone, now)
        again = f" {len(same)} times, last {last}." if len(same) > 1 else ""
        found.append(Moment(same[0].at, f"{words}{again}", passed=True))
    return tuple(found)


def _page(view: LinkView, answer: Answer | None = None, *, rescue_link: str | None = None) -> ResponseReturnValue:
    dive, facts, answer = view.dive, _facts(view), answer or Answer()
    page = render_template(
        "alarm.html",
        dive=dive,
        now=view.now,
        country=view.country,
        standing=standing(dive),
        step=next_step(dive, view.person, view.now),
        facts=facts,
        pack=None if facts is None else facts.pack,
        moments=moments(dive, view.now),
        looked_at=_seconds(view),
        look=_look(view),
        on_scene=any(told.key == view.person.key for told in dive.on_scene),
        answer=answer,
        errors=answer.errors,
        typed=_typed(view, answer),
        rescue_link=rescue_link,
    )
    return page, answer.status


def _typed(view: LinkView, answer: Answer) -> dict[str, str]:
    """What stays in the fields: all of it where nothing was done, and once the reference was right the reference."""
    if answer.error is not None or answer.since is not None:
        return request.form.to_dict()
    return {"reference": view.dive.reference} if request.method == "POST" else {}
