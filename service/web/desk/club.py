"""The club's own details: what an owner may change, how it reads in an alarm, and what was changed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from flask import Blueprint, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.domain.dialling import NO_NUMBER
from service.operations.admin_roles import AdminRole
from service.operations.club_details import (
    ClubView,
    DetailsSaved,
    DetailsStale,
    DetailsWrong,
    club_view,
    in_an_alarm,
    read_rescue_call,
    save,
    undo,
)
from service.operations.setting_changes import Change, NotUndone
from service.web.context import web
from service.web.desk.sitting import at_desk, desk
from service.web.speaking import tel
from service.web.ways_words import LANGUAGE_NAMES

pages = Blueprint("desk_club", __name__)

FRONT: Final = "/admin/club"
LABELS: Final = {
    "rescue_call": "Rescue call",
    "language": "Language of its contacts",
    "canary_number": "Phone of the daily canary dive",
    "log_head_mail": "Address for the hash of the log",
}
_TYPED_MAX: Final = 300


@dataclass(frozen=True, slots=True)
class Form:
    """What is in the fields, and what is wrong there."""

    values: dict[str, str]
    errors: dict[str, str]
    readings: dict[str, str]


@pages.get(FRONT)
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """The details as they stand. `?saved=` is the number of the change that was just made."""
    view = club_view(web().service, desk().admin.club_id)
    asked = request.args.get("saved", "")
    # A link that somebody made up must not say that something was saved.
    saved = next((change for change in view.history[:1] if str(change.seq) == asked), None)
    return _page(view, _form(view.values), saved=saved, nothing=asked == "nothing")


@pages.post(f"{FRONT}/show")
@at_desk(AdminRole.OWNER)
def try_it() -> ResponseReturnValue:
    """How what was typed would read in an alarm; nothing is saved."""
    view, typed = club_view(web().service, desk().admin.club_id), _typed()
    errors: dict[str, str] = {}
    try:
        read_rescue_call(typed["rescue_call"])
    except ValueError as error:
        errors["rescue_call"] = str(error)
    made_from = request.form.get("made_from", "")
    return _page(view, _form(typed, errors), made_from=made_from), 422 if errors else 200


@pages.post(FRONT)
@at_desk(AdminRole.OWNER)
def change() -> ResponseReturnValue:
    """Save them."""
    typed, made_from = _typed(), request.form.get("made_from", "")
    outcome = save(web().service, desk().admin, typed, made_from)
    if isinstance(outcome, DetailsSaved):
        return redirect(_saved_at(outcome), 303)
    if isinstance(outcome, DetailsStale):
        theirs = [(name, outcome.view.values[name], typed[name]) for name in LABELS]
        differing = [(name, was, now) for name, was, now in theirs if was != now]
        return _page(outcome.view, _form(typed), theirs=differing), 409
    view = club_view(web().service, desk().admin.club_id)
    return _page(view, _form(typed, outcome.errors), made_from=made_from), 422


@pages.post(f"{FRONT}/undo")
@at_desk(AdminRole.OWNER)
def set_back() -> ResponseReturnValue:
    """Set back the last change."""
    seq = request.form.get("seq", "")
    number = int(seq) if seq.isascii() and seq.isdecimal() and len(seq) < 10 else -1  # noqa: PLR2004 - a row's number
    outcome = undo(web().service, desk().admin, number)
    if isinstance(outcome, DetailsSaved):
        return redirect(_saved_at(outcome), 303)
    view = club_view(web().service, desk().admin.club_id)
    words = outcome.words if isinstance(outcome, NotUndone) else _joined(outcome)
    return _page(view, _form(view.values), refused=words), 409


def _joined(wrong: DetailsWrong) -> str:
    return " ".join(f"{LABELS[name]}: {words}" for name, words in wrong.errors.items())


def _saved_at(outcome: DetailsSaved) -> str:
    return f"{FRONT}?saved={'nothing' if outcome.seq is None else outcome.seq}"


def _typed() -> dict[str, str]:
    return {name: request.form.get(name, "").strip()[:_TYPED_MAX] for name in LABELS}


def _form(values: dict[str, str], errors: dict[str, str] | None = None) -> Form:
    return Form(dict(values), errors or {}, {})


def _page(
    view: ClubView,
    form: Form,
    *,
    saved: Change | None = None,
    nothing: bool = False,
    refused: str = "",
    theirs: list[tuple[str, str, str]] | None = None,
    made_from: str | None = None,
) -> str:
    readable = "rescue_call" not in form.errors and form.values["rescue_call"].strip() != ""
    service = web().service
    words = " ".join(form.values["rescue_call"].split())
    return render_template(
        "desk/club.html",
        view=view,
        form=form,
        saved=saved,
        nothing=nothing,
        refused=refused,
        theirs=theirs or [],
        made_from=view.mark if made_from is None else made_from,
        labels=LABELS,
        languages=LANGUAGE_NAMES,
        alarm=in_an_alarm(service, desk().admin.club_id, words) if readable else (),
        no_number=NO_NUMBER if readable and tel(words, view.country) is None else "",
        may_save=desk().admin.role.may(AdminRole.OWNER),
        now=service.clock.now(),
        zone=desk().admin.zone,
    )
