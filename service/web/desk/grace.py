"""Grace periods, of the club and of each site: what they are, what they would do, and changing them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.domain.grace import Contradiction, GracePeriods
from service.operations.admin_roles import AdminRole
from service.operations.example_dive import Place
from service.operations.grace_settings import (
    Contradicted,
    GraceView,
    Saved,
    SiteBrief,
    Stale,
    grace_view,
    read_own,
    save,
    undo,
)
from service.operations.setting_changes import Change, NotUndone
from service.web.context import web
from service.web.desk.grace_form import FIELDS, GROUPS, STORIES, GraceForm, example_of, filled, in_words, typed
from service.web.desk.ladder import Drawn, draw
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_grace", __name__)

FRONT = "/admin/grace"


@pages.get(FRONT)
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """Those of the club."""
    return _opened(_view(None))


@pages.get(f"{FRONT}/<code>")
@at_desk(AdminRole.VIEWER)
def show_site(code: str) -> ResponseReturnValue:
    """Those of a site: only what differs from the club's."""
    return _opened(_view(code))


@pages.get(f"{FRONT}/preview")
@at_desk(AdminRole.VIEWER)
def preview() -> ResponseReturnValue:
    """The drawing and its words alone, for the fields as they are in the query; what is absent is as it stands."""
    view = _view(request.args.get("site") or None)
    form = _filled(view)
    posted = form.values | {name: words for name, words in request.args.items() if name in form.values}
    return render_template("desk/grace_drawn.html", **_drawn(_typed(view, posted), view))


@pages.post(f"{FRONT}/show")
@at_desk(AdminRole.VIEWER)
def show_again() -> ResponseReturnValue:
    """The same as the preview, as a whole page, for who has no JavaScript. Nothing is saved."""
    view = _view(request.form.get("site") or None)
    form = _typed(view, request.form)
    _explain(form, _contradictions(form, view.base))
    return _page(view, form, made_from=request.form.get("made_from", "")), 422 if form.errors else 200


@pages.post(FRONT)
@at_desk(AdminRole.OFFICER)
def change() -> ResponseReturnValue:
    """Save those of the club."""
    return _saved(None)


@pages.post(f"{FRONT}/<code>")
@at_desk(AdminRole.OFFICER)
def change_site(code: str) -> ResponseReturnValue:
    """Save those of a site."""
    return _saved(code)


@pages.post(f"{FRONT}/undo")
@at_desk(AdminRole.OFFICER)
def set_back() -> ResponseReturnValue:
    """Set back the last change."""
    code, seq = request.form.get("site") or None, request.form.get("seq", "")
    number = int(seq) if seq.isascii() and seq.isdecimal() and len(seq) < 10 else -1  # noqa: PLR2004 - a row's number
    outcome = undo(web().service, desk().admin, code, number)
    if outcome is None:
        abort(404)
    if isinstance(outcome, Saved):
        return redirect(_saved_at(code, outcome), 303)
    view = _view(code)
    words = outcome.words if isinstance(outcome, NotUndone) else "What was before does not hold together any more."
    page = _Page(refused=words, elsewhere=outcome.elsewhere if isinstance(outcome, Contradicted) else ())
    return _page(view, _example(view, _filled(view)), page), 409


@dataclass(frozen=True, slots=True)
class Difference:
    """A setting that two admins have set differently: its name, how it stands, and what was typed."""

    label: str
    stands: str
    typed: str


@dataclass(frozen=True, slots=True)
class _Page:
    """What a page says beside the form."""

    saved: Change | None = None
    nothing: bool = False
    refused: str = ""
    theirs: tuple[Difference, ...] = ()
    elsewhere: tuple[tuple[SiteBrief, Contradiction], ...] = ()


def _saved(code: str | None) -> ResponseReturnValue:
    view, made_from = _view(code), request.form.get("made_from", "")
    form = _typed(view, request.form)
    if form.errors:
        _explain(form, _contradictions(form, view.base))
        return _page(view, form, made_from=made_from), 422
    outcome = save(web().service, desk().admin, code, form.given, made_from)
    if outcome is None:
        abort(404)
    if isinstance(outcome, Saved):
        return redirect(_saved_at(code, outcome), 303)
    if isinstance(outcome, Stale):
        theirs = tuple(_differences(outcome.view, form))
        return _page(outcome.view, form, _Page(theirs=theirs, refused="Somebody has changed them meanwhile.")), 409
    _explain(form, outcome.found)
    return _page(view, form, _Page(elsewhere=outcome.elsewhere), made_from=made_from), 422


def _saved_at(code: str | None, outcome: Saved) -> str:
    path = FRONT if code is None else f"{FRONT}/{code.upper()}"
    return f"{path}?saved={'nothing' if outcome.seq is None else outcome.seq}"


def _differences(view: GraceView, form: GraceForm) -> list[Difference]:
    wanted = form.periods(view.base)
    return [
        Difference(one.label, in_words(one, view.holds), in_words(one, wanted))
        for one in FIELDS
        if getattr(view.holds, one.name) != getattr(wanted, one.name)
    ]


def _view(code: str | None) -> GraceView:
    return grace_view(web().service, desk().admin.club_id, code) or abort(404)


def _filled(view: GraceView) -> GraceForm:
    return filled(view.holds, view.own, of_site=view.site is not None)


def _typed(view: GraceView, posted: Any) -> GraceForm:
    return typed(posted, of_site=view.site is not None, today=web().service.clock.now(), zone=view.place.zone)


def _example(view: GraceView, form: GraceForm) -> GraceForm:
    form.given = {one.name: getattr(view.holds, one.name) for one in FIELDS}
    return example_of(form, web().service.clock.now(), view.place.zone)


def _opened(view: GraceView) -> ResponseReturnValue:
    asked = request.args.get("saved", "")
    # A link that somebody made up must not say that something was saved.
    saved = next((change for change in view.history[:1] if str(change.seq) == asked), None)
    return _page(view, _example(view, _filled(view)), _Page(saved=saved, nothing=asked == "nothing"))


def _contradictions(form: GraceForm, base: GracePeriods) -> tuple[Contradiction, ...]:
    """As far as the fields could be read; the others have words of their own."""
    return form.periods(base).contradictions()


def _explain(form: GraceForm, found: tuple[Contradiction, ...]) -> None:
    """Put each contradiction beside its field."""
    for wrong in found:
        form.errors.setdefault(wrong.setting, f"{wrong.words} Right would be: {wrong.right}")


def _drawn(form: GraceForm, view: GraceView) -> dict[str, object]:
    """The drawing, or what keeps it from being drawn."""
    found = _contradictions(form, view.base)
    labels = {one.name: one.label for one in FIELDS}
    wrong = [(name, labels.get(name, ""), words) for name, words in form.errors.items()]
    wrong += [(one.setting, labels[one.setting], f"{one.words} Right would be: {one.right}") for one in found]
    drawn = None if wrong or form.example is None else _draw(form.periods(view.base), form, view.place)
    unique = {name: (name, label, words) for name, label, words in reversed(wrong)}
    return {"drawn": drawn, "wrong": list(reversed(unique.values())), "periods": form.periods(view.base)}


def _draw(grace: GracePeriods, form: GraceForm, place: Place) -> Drawn | None:
    return None if form.example is None else draw(grace, form.example, place)


def _page(view: GraceView, form: GraceForm, page: _Page | None = None, *, made_from: str | None = None) -> str:
    return render_template(
        "desk/grace.html",
        view=view,
        form=form,
        page=page or _Page(),
        made_from=view.mark if made_from is None else made_from,
        groups=GROUPS,
        stories=STORIES,
        base_words={one.name: in_words(one, view.base) for one in FIELDS},
        may_save=desk().admin.role.may(AdminRole.OFFICER),
        history=[(change, _told(change, view.base)) for change in view.history],
        now=web().service.clock.now(),
        zone=desk().admin.zone,
        **_drawn(form, view),
    )


def _told(change: Change, base: GracePeriods) -> list[str]:
    """What a change made different, in words."""
    before, after = read_own(base, change.before), read_own(base, change.after)
    if before is None or after is None:
        return ["Written by another version of the service."]
    names = change.before.keys() | change.after.keys()
    words = []
    for one in FIELDS:
        if one.name in names and change.before.get(one.name) != change.after.get(one.name):
            was, now = in_words(one, before), in_words(one, after)
            words.append(f"{one.label}: {was} became {now}{'' if one.name in change.after else ', as usual'}.")
    return words
