"""Filing a plan by form: first what would be sent, then filing, and the codes.

With one club /plan is its form. With several, /plan lists them and /plan/<club> is the form of one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue
from sqlalchemy.orm import Session

from service.documents.sms_uri import sms
from service.domain.dive import Dive, Phase
from service.domain.people import Actor, Role, Via, diver_key
from service.domain.place.position import Position
from service.domain.wording import LinkKind
from service.operations.filing import SENDING, PlanFiled, PlanRefused, Preview, file_plan, preview
from service.operations.own_numbers import texted_to
from service.operations.pages import dive_link
from service.operations.plan_reading import PlanRequest
from service.operations.proof_of_reach import standings
from service.operations.refiling import Refiled, file_instead, filed_under
from service.store import clubs, sites
from service.store.tables.club import ClubRow
from service.store.tables.site import SiteRow
from service.web import nonce
from service.web.access import Who, open_to
from service.web.advice import advice, ways_out
from service.web.bounds import address_key
from service.web.context import web
from service.web.filing_limits import REQUEST_KEY_PREFIX, too_many_plans
from service.web.plan_changes import Change, changes
from service.web.plan_form import PlanForm, empty_form, read_form
from service.web.speaking import phone
from service.web.ways_words import LANGUAGE_NAMES, told_by

pages = Blueprint("plan", __name__)

FROM_ONE_ADDRESS = (
    "Many plans came from this connection today, so this one was not filed. Wait, use another connection, or phone"
    " somebody ashore and tell them the plan."
)
NO_PLAN = "This cannot be filed as it is. Look over the place, the party and the contacts."
FORM_TOO_OLD = "This form had been open for very long. Nothing was filed. Look it over and press the button again."


INSTEAD = "instead"
FILING_WORDS = {"file": "File this plan", INSTEAD: "File this plan, and call off the earlier one"}


@dataclass(frozen=True, slots=True)
class Earlier:
    """A plan that the same form has filed: its dive, the nonce of it, what was changed since, the page of its lead."""

    dive: Dive
    nonce: str
    changes: tuple[Change, ...]
    page: str


@dataclass(frozen=True, slots=True)
class ClubForm:
    """A club as its form shows it."""

    club: ClubRow
    sites: Sequence[SiteRow]
    exits: Sequence[str]  # of all sites, to choose from while typing
    grace_min: int
    path: str
    ours: frozenset[str]  # the numbers on which texts to clubs come in


@pages.get("/plan")
@open_to(Who.ANYONE)
def choose() -> ResponseReturnValue:
    """The form of the only club, or the clubs to choose from."""
    known = web().service.read(clubs.listing)
    if len(known) == 1:
        return _form_page(_club_form(known[0].id, "/plan"), empty_form())
    return render_template("plan_clubs.html", clubs=known)


@pages.post("/plan")
@open_to(Who.ANYONE)
def post_to_only_club() -> ResponseReturnValue:
    """What was typed, for the only club."""
    known = web().service.read(clubs.listing)
    if len(known) != 1:
        return redirect("/plan", code=303)
    return _posted(_club_form(known[0].id, "/plan"))


@pages.get("/plan/<club_id>")
@open_to(Who.ANYONE)
def form(club_id: str) -> ResponseReturnValue:
    """An empty form of one club."""
    return _form_page(_club_form(club_id, f"/plan/{club_id}"), empty_form())


@pages.post("/plan/<club_id>")
@open_to(Who.ANYONE)
def post_to_club(club_id: str) -> ResponseReturnValue:
    """What was typed, for one club."""
    return _posted(_club_form(club_id, f"/plan/{club_id}"))


def _club_form(club_id: str, path: str) -> ClubForm:
    def work(session: Session) -> ClubForm | None:
        club = clubs.get(session, club_id)
        if club is None:
            return None
        known = sites.listing(session, club.id)
        exits = [point.name for site in known for point in sites.points(session, site.id) if point.kind == "exit"]
        grace = sites.grace_for(session, club.id, None).grace
        ours = texted_to(session, web().service.own_numbers)
        return ClubForm(club, known, tuple(dict.fromkeys(exits)), int(grace.total_seconds() // 60), path, ours)

    return web().service.read(work) or abort(404)


def _posted(at: ClubForm) -> ResponseReturnValue:
    near = next((Position(site.lat, site.lon) for site in at.sites), None)
    typed = read_form(request.form, at.club, at.ours, near)
    by = _lead(typed)
    if typed.request is None:
        return _form_page(at, typed, status=422)
    seen = preview(web().service, at.club.id, typed.request, by)
    typed = typed.with_checks(seen.checks)
    if typed.errors or isinstance(seen, PlanRefused):
        return _form_page(at, typed, note=None if typed.errors else NO_PLAN, status=422)
    if request.form.get("do") not in FILING_WORDS:
        return _form_page(at, typed, seen=seen)
    return _file(at, typed, seen)


def _file(at: ClubForm, typed: PlanForm, seen: Preview) -> ResponseReturnValue:
    now = web().service.clock.now()
    request_key = _key_of(request.form.get("nonce", ""))
    if request_key is None:
        return _form_page(at, typed, seen=seen, note=FORM_TOO_OLD, status=409)
    refused = _one_too_many(at, seen, request_key, now)
    if refused is not None:
        return _form_page(at, typed, seen=seen, note=refused, status=429)
    if typed.request is None:
        return _form_page(at, typed, status=422)
    refiled = _filed(at, typed.request, seen, request_key)
    filed = refiled.filed
    if isinstance(filed, PlanRefused):
        return _refused_page(at, typed, seen, filed)
    if filed.again and (filed.dive.phase is Phase.CLOSED or changes(filed.dive, seen.dive, now)):
        # What was changed after the plan was filed is in no plan yet, and codes of a dive that is over start nothing.
        return _form_page(at, typed, seen=seen, filed_before=request.form["nonce"], status=409)
    return _filed_page(at, filed, refiled.earlier, now)


def _one_too_many(at: ClubForm, seen: Preview, request_key: str, now: datetime) -> str | None:
    refused = web().service.read(lambda session: too_many_plans(session, at.club, seen.dive, request_key, now))
    if refused is None and not web().bounds.plans_by_address.take(address_key(request.remote_addr), now):
        return FROM_ONE_ADDRESS
    return refused


def _filed(at: ClubForm, plan: PlanRequest, seen: Preview, request_key: str) -> Refiled:
    """Files, and where that was pressed calls off what the form had filed before."""
    do, lead = request.form["do"], seen.dive.lead
    by = Actor(Role.DIVER, lead.name, Via.PAGE, key=lead.key, phone=lead.phone, words=FILING_WORDS[do])
    before = _key_of(request.form.get("earlier", ""))
    service = web().service
    if do == INSTEAD and before is not None:
        return file_instead(service, at.club.id, plan, by, request_key=request_key, earlier_key=before)
    filed = file_plan(service, at.club.id, plan, by, request_key=request_key, by_anybody=True)
    return Refiled(filed, None if before is None else filed_under(service, at.club.id, before))


def _key_of(given: str) -> str | None:
    key = nonce.read(web().settings.secret_key, given, web().service.clock.now())
    return None if key is None else f"{REQUEST_KEY_PREFIX}{key}"


def _earlier(at: ClubForm, given: str, seen: Preview | None, now: datetime) -> Earlier | None:
    """The plan that this form has filed already; None where it has filed none."""
    key = _key_of(given)
    dive = None if key is None else filed_under(web().service, at.club.id, key)
    if dive is None:
        return None
    changed = () if seen is None else changes(dive, seen.dive, now)
    page = dive_link(web().service, dive.id, dive.lead.key, LinkKind.DIVE)
    return Earlier(dive, given, changed, page)


def _refused_page(at: ClubForm, typed: PlanForm, seen: Preview, refused: PlanRefused) -> ResponseReturnValue:
    bounded = next((check.words for check in refused.checks if check.field == SENDING), None)
    if bounded is not None:
        return _form_page(at, typed, seen=seen, note=bounded, status=429)
    return _form_page(at, typed.with_checks(refused.checks), status=422)


def _lead(typed: PlanForm) -> Actor:
    return Actor(Role.DIVER, typed.values["lead_name"], Via.PAGE, key=diver_key(0), words="Show what will be sent")


def _form_page(
    at: ClubForm,
    typed: PlanForm,
    *,
    seen: Preview | None = None,
    note: str | None = None,
    filed_before: str | None = None,
    status: int = 200,
) -> ResponseReturnValue:
    """The form; `filed_before` is the nonce by which it has filed a plan already, so that it needs another."""
    now = web().service.clock.now()
    fresh = nonce.issue(web().settings.secret_key, now)
    given = request.form.get("nonce", "")
    # The first nonce is kept through previews and corrections, so that going back and pressing again files once.
    kept = given if filed_before is None and _key_of(given) else fresh
    earlier = _earlier(at, filed_before or request.form.get("earlier", ""), seen, now)
    page = render_template(
        "plan.html",
        at=at,
        form=typed,
        seen=seen,
        advice=None if seen is None else advice(seen.checks),
        exits=() if seen is None else ways_out(seen.dive),
        languages=LANGUAGE_NAMES,
        note=note,
        nonce=kept,
        earlier=earlier,
        not_taken=filed_before is not None,
        now=now,
    )
    return page, status


def _filed_page(at: ClubForm, filed: PlanFiled, earlier: Dive | None, now: datetime) -> ResponseReturnValue:
    dive, number = filed.dive, at.club.receiving_number
    return render_template(
        "plan_filed.html",
        dive=dive,
        advice=advice(filed.checks),
        again=filed.again,
        earlier=earlier,
        standings=standings(web().service, dive),
        told_by=told_by(dive),
        number=phone(number, at.club.country),
        start_text=sms(number, f"IN {dive.start_code}"),
        finish_text=sms(number, f"OUT {dive.finish_code}"),
        page=dive_link(web().service, dive.id, dive.lead.key, LinkKind.DIVE),
        now=now,
    )
