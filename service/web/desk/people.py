"""The people of the club: found, looked at, added, changed, asked and removed."""

from __future__ import annotations

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.operations import people as known
from service.operations.admin_roles import AdminRole
from service.operations.people import Person, PersonRead
from service.operations.people_asking import ask_contact
from service.operations.people_changing import PersonChanged, PersonStale, change_person
from service.web.context import web
from service.web.desk.sitting import at_desk, desk
from service.web.person_form import PersonForm, differences, empty_form, form_of, posted_form, ways_of
from service.web.ways_words import LANGUAGE_NAMES

pages = Blueprint("desk_people", __name__)

JOINED_WORDS = {"desk": "added by an admin", "import": "from a list", "self": "joined by themselves"}


@pages.get("/admin/people")
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """Everybody by name; `?find=` those whose name or number has it, their contacts' too."""
    wanted = request.args.get("find", "").strip()[:100]
    found, more = known.listing(web().service, desk().admin.club_id, wanted)
    return render_template(
        "desk/people.html",
        people=found,
        more=more,
        wanted=wanted,
        joined=JOINED_WORDS,
        languages=dict(LANGUAGE_NAMES),
        done=request.args.get("done", ""),
        **_always(),
    )


@pages.get("/admin/people/new")
@at_desk(AdminRole.OFFICER)
def new() -> ResponseReturnValue:
    """An empty form."""
    return _form_page(empty_form(), None)


@pages.post("/admin/people/new")
@at_desk(AdminRole.OFFICER)
def add() -> ResponseReturnValue:
    """Add what was typed."""
    form = posted_form(request.form)
    added = known.add_person(web().service, desk().admin, form.typed())
    if isinstance(added, str):
        return redirect(f"/admin/people/{added}", 303)
    return _form_page(form.with_errors(added.wrong), None, 422)


@pages.get("/admin/people/<person_id>")
@at_desk(AdminRole.VIEWER)
def one(person_id: str) -> ResponseReturnValue:
    """One person: phone, contacts and how far each can be relied upon."""
    return _person_page(person_of(person_id))


@pages.get("/admin/people/<person_id>/change")
@at_desk(AdminRole.OFFICER)
def change(person_id: str) -> ResponseReturnValue:
    """The form with what is kept."""
    person = person_of(person_id)
    return _form_page(form_of(person), person)


@pages.post("/admin/people/<person_id>/change")
@at_desk(AdminRole.OFFICER)
def changed(person_id: str) -> ResponseReturnValue:
    """Keep what was typed."""
    person = person_of(person_id)
    form = posted_form(request.form, ways_of(person))
    made_from = request.form.get("made_from", "")
    try:
        outcome = change_person(web().service, desk().admin, person_id, form.typed(), made_from)
    except LookupError:
        abort(404)
    match outcome:
        case PersonRead():
            return _form_page(form.with_errors(outcome.wrong), person, 422, made_from=made_from)
        case PersonStale():
            return _form_page(form, person_of(person_id), 409, stale=True)
        case PersonChanged():
            words = _of_the_old_number(outcome)
            return _person_page(person_of(person_id), words) if words else redirect(f"/admin/people/{person_id}", 303)


def _of_the_old_number(changed: PersonChanged) -> str:
    """What an admin must know of a number that was changed; empty for nothing."""
    said = []
    if changed.open_dives:
        refs = ", ".join(changed.open_dives)
        said.append(f"Dives that are open keep the old number, so an alarm of theirs goes there: {refs}. Phone them.")
    if changed.followed:
        said.append(f"Counts on the new number now: {', '.join(changed.followed)}.")
    said += [f"{who} has the old number under the name {name}: look whose it is." for who, name in changed.elsewhere]
    return " ".join(said)


@pages.post("/admin/people/<person_id>/ask")
@at_desk(AdminRole.OFFICER)
def ask(person_id: str) -> ResponseReturnValue:
    """Ask one of their contacts by text."""
    outcome = ask_contact(web().service, desk().admin, person_id, request.form.get("phone", ""))
    if outcome is None:
        abort(404)
    page = _person_page(person_of(person_id), outcome.words, went_wrong=not outcome.asked)
    return page if outcome.asked else (page, 422)


@pages.post("/admin/people/<person_id>/consent")
@at_desk(AdminRole.OFFICER)
def consent(person_id: str) -> ResponseReturnValue:
    """They said today that the club may keep this, or that it may not."""
    given = request.form.get("do") == "given"
    if not known.note_consent(web().service, desk().admin, person_id, given=given):
        abort(404)
    return redirect(f"/admin/people/{person_id}", 303)


@pages.post("/admin/people/<person_id>/remove")
@at_desk(AdminRole.OFFICER)
def remove(person_id: str) -> ResponseReturnValue:
    """Take somebody out, once that was confirmed by a tick."""
    person = person_of(person_id)
    if request.form.get("sure") != "yes":
        words = "Tick that you are sure, then press the button again."
        return _person_page(person, words, went_wrong=True), 422
    known.remove_person(web().service, desk().admin, person_id)
    return redirect("/admin/people?done=removed", 303)


def person_of(person_id: str) -> Person:
    """The person of that id; 404 where the club has none."""
    return known.one(web().service, desk().admin.club_id, person_id) or abort(404)


def _person_page(person: Person, words: str = "", *, went_wrong: bool = False) -> str:
    return render_template(
        "desk/person.html",
        person=person,
        joined=JOINED_WORDS,
        languages=dict(LANGUAGE_NAMES),
        words=words,
        went_wrong=went_wrong,
        **_always(),
    )


def _form_page(
    form: PersonForm, person: Person | None, status: int = 200, *, made_from: str | None = None, stale: bool = False
) -> ResponseReturnValue:
    """`made_from`: of which state of the person the form is, where that may not be the present one."""
    mark = person.mark if person is not None and made_from is None else made_from or ""
    page = render_template(
        "desk/person_form.html",
        form=form,
        person=person,
        languages=LANGUAGE_NAMES,
        made_from=mark,
        theirs=differences(form, person) if person is not None and stale else (),
        stale=stale,
        **_always(),
    )
    return page, status


def _always() -> dict[str, object]:
    """What every page about people needs."""
    role = desk().admin.role
    return {
        "zone": desk().admin.zone,
        "now": web().service.clock.now(),
        "may_change": role.may(AdminRole.OFFICER),
        "may_erase": role.may(AdminRole.OWNER),
    }
