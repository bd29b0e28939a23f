"""The diver's page: where the dive stands, and its buttons. Opening it changes nothing; every button is a post."""

from __future__ import annotations

import re

from flask import Blueprint, render_template, request
from flask.typing import ResponseReturnValue

from service.domain.dive import Command
from service.domain.dive.commands import CallOff, Extend, Finish, RaiseNow, Start
from service.domain.people import Actor
from service.domain.wording import LinkKind
from service.operations.pages import LinkView, link_actor
from service.web.access import Who, open_to
from service.web.context import web
from service.web.dive_words import moments, standing
from service.web.links import acted, opened
from service.web.outcomes import told

pages = Blueprint("dive", __name__)

NOTE_MAX = 300
_COUNT = re.compile(r"[1-9]?[0-9]")
_MINUTES = re.compile(r"[1-9][0-9]{0,2}")


class UnusableError(ValueError):
    """What was typed beside a button cannot be used; the message says what to type."""


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


@pages.post("/dive/<token>")
@open_to(Who.LINK_HOLDER)
def press(token: str) -> ResponseReturnValue:
    """One of the buttons."""
    view = opened(token, LinkKind.DIVE)
    try:
        command = _command(view)
    except UnusableError as error:
        return _page(view, told_words=str(error), went_wrong=True, status=422)
    view, applied = acted(view, command)
    wrong = applied.refusal is not None
    return _page(view, told_words=told(applied, view.now), went_wrong=wrong, status=409 if wrong else 200)


def _page(
    view: LinkView, *, told_words: str | None = None, went_wrong: bool = False, status: int = 200
) -> ResponseReturnValue:
    page = render_template(
        "dive.html",
        view=view,
        dive=view.dive,
        now=view.now,
        standing=standing(view.dive),
        moments=moments(view.dive, view.now),
        told_words=told_words,
        went_wrong=went_wrong,
        pace=web().settings.pace,
    )
    return page, status


def _command(view: LinkView) -> Command:
    pressed = request.form.get("do", "")
    make = {"in": _start, "out": _finish, "late": _late, "call_off": _call_off, "sos": _sos}.get(pressed)
    if make is None:
        raise UnusableError("Use one of the buttons. Nothing changed.")
    return make(view)


def _by(view: LinkView, words: str) -> Actor:
    return link_actor(view, words)


def count_typed(name: str) -> int:
    """A head count as typed. Raises UnusableError."""
    typed = request.form.get(name, "").strip()
    if not (typed.isascii() and _COUNT.fullmatch(typed)):
        raise UnusableError("Count heads and give the number in digits. Nothing changed.")
    return int(typed)


def _start(view: LinkView) -> Command:
    count = count_typed("count")
    return Start(_by(view, f"In, {count}"), count=count)


def _finish(view: LinkView) -> Command:
    count = count_typed("count")
    return Finish(_by(view, f"Out, {count}"), count=count)


def _late(view: LinkView) -> Command:
    typed = request.form.get("minutes", "").strip()
    if not (typed.isascii() and _MINUTES.fullmatch(typed)):
        raise UnusableError("How many minutes later? Give a number such as 20. Nothing changed.")
    return Extend(_by(view, f"Late {typed}"), minutes=int(typed))


def _call_off(view: LinkView) -> Command:
    return CallOff(_by(view, "Call off"))


def _sos(view: LinkView) -> Command:
    note = " ".join(request.form.get("note", "").split())[:NOTE_MAX]
    return RaiseNow(_by(view, f"SOS {note}".strip()), note=note or None)
