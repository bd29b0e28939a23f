"""The diver's page: where the dive stands, and its buttons. Opening it changes nothing; every button is a post.

The forms carry the version of the dive that the page shows, so that a form that is sent twice is done once.
"""

from __future__ import annotations

from http import HTTPStatus

from flask import Blueprint, abort, render_template, request
from flask.typing import ResponseReturnValue

from service.documents.plan_card import card_of
from service.domain.dive import Command
from service.domain.dive.commands import CallOff, Extend, Finish, RaiseNow, ReportConditions, ReportFix, Start
from service.domain.handover.whereabouts import whereabouts
from service.domain.people import Actor, Role, Via
from service.domain.place.fix import Source
from service.domain.place.position import decimal
from service.domain.wording import LinkKind
from service.operations.pages import LinkView, link_actor, receiving_number
from service.operations.proof_of_reach import standings
from service.operations.unread_help import call_for_help, left_of
from service.store.dives import UnreadableDive
from service.web.access import Who, open_to
from service.web.context import web
from service.web.dive_words import moments, standing
from service.web.links import Answer, opened, pressed
from service.web.printed import printed_card
from service.web.typed import (
    UnusableError,
    accuracy_measured,
    count_typed,
    current_typed,
    minutes_typed,
    position_measured,
    position_typed,
    time_measured,
    wind_typed,
    words_typed,
)
from service.web.ways_words import told_by

pages = Blueprint("dive", __name__)

NOTE_MAX = 300


@pages.get("/dive/<token>")
@open_to(Who.LINK_HOLDER)
def show(token: str) -> ResponseReturnValue:
    """Where the dive stands, with buttons."""
    return _page(opened(token, LinkKind.DIVE))


@pages.get("/dive/<token>/sos")
@open_to(Who.LINK_HOLDER)
def ask_sos(token: str) -> ResponseReturnValue:
    """Asks once more before the alarm is raised, so that no pocket presses it."""
    return render_template("dive_sos.html", view=opened(token, LinkKind.DIVE))


@pages.get("/dive/<token>/plan-card.pdf")
@open_to(Who.LINK_HOLDER)
def plan_card(token: str) -> ResponseReturnValue:
    """The card for the car window, filled in."""
    return printed_card(card_of(opened(token, LinkKind.DIVE).dive))


@pages.post("/dive/<token>")
@open_to(Who.LINK_HOLDER)
def press(token: str) -> ResponseReturnValue:
    """One of the buttons."""
    view = opened(token, LinkKind.DIVE)
    try:
        command = _command(view)
    except UnusableError as error:
        return _page(view, Answer(HTTPStatus.UNPROCESSABLE_ENTITY, error=error))
    return _page(*pressed(token, view, command))


@pages.errorhandler(UnreadableDive)
def unread(error: UnreadableDive) -> ResponseReturnValue:
    """Why there is no page; an SOS is passed on all the same, by the plainest path."""
    service, told = web().service, False
    if request.method == "POST" and request.form.get("do") == "sos":
        words = f"SOS {words_typed('note', NOTE_MAX)}".strip()
        called = call_for_help(service, error.dive_id, Actor(Role.DIVER, "the page of the dive", Via.PAGE, words=words))
        told = called is not None and called.told
    facts = left_of(service, error.dive_id) or abort(410)
    if told:
        did = "Your contacts are told that there may be trouble. Phone them too."
    else:
        did = "Nothing was done. Phone your contacts: they must hear from you that you are out, or late."
    words = f"Through a fault of ours we cannot show this dive. {did} In trouble call {facts.rescue_call}."
    return render_template("error.html", title="A fault of ours", words=words), HTTPStatus.INTERNAL_SERVER_ERROR


def _page(view: LinkView, answer: Answer | None = None) -> ResponseReturnValue:
    answer = answer or Answer()
    page = render_template(
        "dive.html",
        view=view,
        dive=view.dive,
        now=view.now,
        standing=standing(view.dive),
        moments=moments(view.dive, view.now),
        where=whereabouts(view.dive, view.now),
        standings=standings(web().service, view.dive),
        told_by=told_by(view.dive),
        receiving_number=receiving_number(web().service, view.dive.club_id),
        answer=answer,
        errors=answer.errors,
        typed=request.form if answer.error is not None or answer.since is not None or answer.asks_sos else {},
        pace=web().settings.pace,
    )
    return page, answer.status


def _command(view: LinkView) -> Command:
    make = {
        "in": _start,
        "out": _finish,
        "late": _late,
        "call_off": _call_off,
        "sos": _sos,
        "fix": _fix,
        "position": _position,
        "conditions": _conditions,
    }.get(request.form.get("do", ""))
    if make is None:
        raise UnusableError("Use one of the buttons. Nothing changed.")
    return make(view)


def _by(view: LinkView, words: str) -> Actor:
    return link_actor(view, words)


def _start(view: LinkView) -> Command:
    count = count_typed("count")
    return Start(_by(view, f"In, {count}"), count=count)


def _finish(view: LinkView) -> Command:
    count = count_typed("count")
    return Finish(_by(view, f"Out, {count}"), count=count)


def _late(view: LinkView) -> Command:
    minutes = minutes_typed("minutes")
    return Extend(_by(view, f"Late {minutes}"), minutes=minutes)


def _call_off(view: LinkView) -> Command:
    return CallOff(_by(view, "Call off"))


def _sos(view: LinkView) -> Command:
    note = words_typed("note", NOTE_MAX)
    return RaiseNow(_by(view, f"SOS {note}".strip()), note=note or None)


def _fix(view: LinkView) -> Command:
    """What the browser's own positioning gave, when its button was pressed."""
    position, accuracy_m, at = position_measured(), accuracy_measured(), time_measured()
    by = _by(view, f"Send my position: {decimal(position)}")
    return ReportFix(by, position, accuracy_m, at, Source.BROWSER)


def _position(view: LinkView) -> Command:
    reading = position_typed("position", view.dive.plan.site.entry)
    by = _by(view, f"Send this position: {words_typed('position', NOTE_MAX)}")
    return ReportFix(by, reading.position, reading.accuracy_m, source=Source.TYPED)


def _conditions(view: LinkView) -> Command:
    return ReportConditions(_by(view, "What the water does"), current_typed(), wind_typed())
