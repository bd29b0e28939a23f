"""The API: JSON in and out, a bearer token of the club, problem details for every refusal."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import wraps
from typing import Any

import msgspec
from flask import Blueprint, Response, request
from sqlalchemy.orm import Session

from service.domain.dive import Command, Phase
from service.domain.dive.commands import CallOff, Extend, Finish, RaiseNow, Start
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.domain.plan import Level
from service.domain.wording import LinkKind
from service.operations.deeds_once import KeyUsed, Once, OverSince, act_once, file_once
from service.operations.filing import PlanRefused, file_plan
from service.operations.links import hash_token
from service.operations.pages import dive_details, dive_link, list_dives
from service.operations.proof_of_reach import standings
from service.operations.recording import Applied, act
from service.operations.unread_help import UNREADABLE, call_for_help, left_of
from service.store import clubs, dives, tokens
from service.store.deed_keys import Asked
from service.store.dives import UnreadableDive
from service.store.tables.club import ClubRow
from service.web.access import Who, open_to
from service.web.api_reading import (
    KEY_HEADER,
    PlanProblem,
    fix_of,
    place_of,
    read_body,
    read_key,
    read_query,
    request_of,
)
from service.web.api_shapes import (
    CallOffIn,
    DivesOut,
    ExtendIn,
    FinishIn,
    FixIn,
    PlanIn,
    RaiseIn,
    StartIn,
)
from service.web.api_writing import details_out, dive_out, filed_out, listed_out, next_page
from service.web.context import web
from service.web.openapi import document
from service.web.problems import FieldProblem, problem

api = Blueprint("api", __name__)

BEARER = "bearer"
NOTE_MAX = 300  # as of the diver's page


@dataclass(frozen=True, slots=True)
class Caller:
    """The script that calls: its club, and itself as an actor."""

    club: ClubRow
    by: Actor


def for_scripts(view: Callable[..., Response]) -> Callable[..., Response]:
    """Gives a view its caller, or answers why there is none; what cannot be read becomes a problem too."""

    @wraps(view)
    def checked(**arguments: str) -> Response:
        caller = _caller()
        if caller is None:
            response = problem(401, "Unauthorized", "Send the club's API token as a bearer token.")
            response.headers["WWW-Authenticate"] = "Bearer"
            return response
        try:
            return view(caller, **arguments)
        except PlanProblem as fault:
            return problem(fault.status, fault.title, fault.detail, errors=fault.errors)
        except UnreadableDive as fault:
            return _unread(caller, fault.dive_id)

    return open_to(Who.SCRIPT)(checked)


def _caller() -> Caller | None:
    scheme, _, token = request.headers.get("Authorization", "").partition(" ")
    if scheme.casefold() != BEARER:  # RFC 9110: written in any case
        return None
    hashed = hash_token(token.strip())

    def work(session: Session) -> Caller | None:
        token = tokens.find(session, hashed)
        club = clubs.get(session, token.club_id) if token is not None else None
        if token is None or club is None:
            return None
        return Caller(club, Actor(Role.STRANGER, f"script {token.name}", Via.API, key=f"token-{token.id}"))

    return web().service.read(work)


@api.get("/api/openapi.json")
@open_to(Who.ANYONE)
def openapi() -> Response:
    """What this API takes and gives."""
    return _json(document(web().service.public_url))


@api.post("/api/v1/plans")
@for_scripts
def file(caller: Caller) -> Response:
    """File a plan. With an Idempotency-Key the same request files once, and answers 200 from the second time on."""
    key, body = read_key(), read_body(PlanIn)
    wanted = request_of(body)
    filed = (
        file_plan(web().service, caller.club.id, wanted, caller.by)
        if key is None
        else file_once(web().service, caller.club.id, wanted, caller.by, key, _asked("plan", body))
    )
    if isinstance(filed, KeyUsed):
        return _key_used("another plan", "plan")
    if isinstance(filed, PlanRefused):
        refusing = [check for check in filed.checks if check.level is Level.REFUSE]
        errors = tuple(FieldProblem(_field(check.field), check.words) for check in refusing)
        return problem(422, "The plan cannot be filed", errors[0].words if errors else None, errors=errors)
    page = dive_link(web().service, filed.dive.id, filed.dive.lead.key, LinkKind.DIVE)
    known = standings(web().service, filed.dive)
    return _json(filed_out(filed, page, known), status=200 if filed.again else 201)


def _field(name: str) -> str:
    """The API's name for a field that a check names."""
    return {"run_time": "run_time_min", "rescue_call": "site"}.get(name, name)


@api.get("/api/v1/dives")
@for_scripts
def listing(caller: Caller) -> Response:
    """The dives of the club, of one phase if asked, from behind where the page before ended."""
    asked = read_query("phase", "after")
    wanted, after = asked.get("phase"), asked.get("after")
    if wanted is not None and wanted not in list(Phase):
        words = f"A phase is one of {', '.join(Phase)}."
        return problem(422, "No such phase", words, errors=(FieldProblem("phase", words),))
    place = None if after is None else place_of(after)
    found = list_dives(web().service, caller.club.id, None if wanted is None else Phase(wanted), place)
    return _json(DivesOut(tuple(map(listed_out, found.dives)), next_page(web().service.public_url, wanted, found)))


@api.get("/api/v1/dives/<dive_id>")
@for_scripts
def details(caller: Caller, dive_id: str) -> Response:
    """One dive with its events and messages."""
    found = dive_details(web().service, caller.club.id, dive_id)
    if found is None:
        return _no_dive()
    return _json(details_out(found, standings(web().service, found.dive)))


@api.post("/api/v1/dives/<dive_id>/start")
@for_scripts
def start(caller: Caller, dive_id: str) -> Response:
    """Run the clock."""
    asked = read_body(StartIn, may_be_empty=True)
    position = None if asked.position is None else Position(*asked.position)
    return _acted(caller, dive_id, Start(_said(caller, "start"), asked.count, position), _asked("start", asked))


@api.post("/api/v1/dives/<dive_id>/finish")
@for_scripts
def finish(caller: Caller, dive_id: str) -> Response:
    """The party is out."""
    asked = read_body(FinishIn, may_be_empty=True)
    return _acted(caller, dive_id, Finish(_said(caller, "finish"), asked.count), _asked("finish", asked))


@api.post("/api/v1/dives/<dive_id>/extend")
@for_scripts
def extend(caller: Caller, dive_id: str) -> Response:
    """Be later."""
    asked = read_body(ExtendIn)
    if (asked.minutes is None) == (asked.until is None):
        words = "Give either minutes or until."
        return problem(422, "Not understood", words, errors=(FieldProblem("minutes", words),))
    by = _said(caller, f"extend {asked.until or asked.minutes}")
    return _acted(caller, dive_id, Extend(by, asked.minutes, asked.until), _asked("extend", asked))


@api.post("/api/v1/dives/<dive_id>/call-off")
@for_scripts
def call_off(caller: Caller, dive_id: str) -> Response:
    """Nobody goes in."""
    asked = read_body(CallOffIn, may_be_empty=True)
    return _acted(caller, dive_id, CallOff(_said(caller, "call-off")), _asked("call-off", asked))


@api.post("/api/v1/dives/<dive_id>/raise")
@for_scripts
def raise_alarm(caller: Caller, dive_id: str) -> Response:
    """Raise the alarm."""
    asked = read_body(RaiseIn, may_be_empty=True)
    note = None if asked.note is None else asked.note[:NOTE_MAX]
    by = _said(caller, f"raise {note}" if note else "raise")
    try:
        return _acted(caller, dive_id, RaiseNow(by, note), _asked("raise", asked))
    except UnreadableDive:
        return _unread(caller, dive_id, by)


@api.post("/api/v1/dives/<dive_id>/fix")
@for_scripts
def fix(caller: Caller, dive_id: str) -> Response:
    """Where the party is."""
    asked = read_body(FixIn)
    dive = web().service.read(lambda session: dives.get(session, dive_id))
    near = None if dive is None or dive.club_id != caller.club.id else dive.plan.site.entry
    return _acted(caller, dive_id, fix_of(asked, near, _said(caller, "fix")), _asked("fix", asked))


def _said(caller: Caller, words: str) -> Actor:
    return replace(caller.by, words=words)


def _asked(deed: str, body: msgspec.Struct) -> Asked:
    """What is asked for, by what it means: the same JSON in another order is the same."""
    return Asked(deed, hashlib.sha256(msgspec.json.encode(body)).hexdigest())


def _acted(caller: Caller, dive_id: str, command: Command, asked: Asked) -> Response:
    service = web().service
    key = _key_of(command)
    dive = service.read(lambda session: dives.get(session, dive_id))
    if dive is None or dive.club_id != caller.club.id:
        return _no_dive()
    if key is None:
        return _told(act(service, dive_id, command))
    return _told(act_once(service, dive_id, command, Once(caller.by.own_key, key, asked)))


def _key_of(command: Command) -> str | None:
    """An alarm is raised without its key where that cannot be kept. Else raises PlanProblem (400)."""
    try:
        return read_key()
    except PlanProblem:
        if isinstance(command, RaiseNow):
            return None
        raise


def _told(done: Applied | KeyUsed | OverSince | None) -> Response:
    match done:
        case None:
            return _no_dive()
        case KeyUsed(deed=deed):
            return _key_used(f"another request to this dive ({deed})", "deed")
        case OverSince():
            words = "This alarm was raised, and the dive has ended since. Nothing was done."
            again = f"If somebody is in trouble now, raise it under a new {KEY_HEADER}."
            return problem(409, "Nothing changed", f"{words} {again}", code="over_since")
        case Applied(dive=dive, refusal=refusal):
            if refusal is not None:
                return problem(409, "Nothing changed", refusal.words, code=refusal.code)
            return _json(dive_out(dive))


def _key_used(what: str, each: str) -> Response:
    words = f"This {KEY_HEADER} was used for {what}. Nothing was done. Give each {each} a key of its own."
    return problem(422, "Key used", words, code="key_used")


def _unread(caller: Caller, dive_id: str, calls: Actor | None = None) -> Response:
    """A dive whose state cannot be read. Whoever `calls` for help has its people told all the same."""
    facts = left_of(web().service, dive_id)
    if facts is None or facts.club_id != caller.club.id:
        return _no_dive()
    called = None if calls is None else call_for_help(web().service, dive_id, calls)
    fault = "The state of this dive cannot be read, through a fault of ours."
    if called is not None and called.told:
        did = "Its contacts are told that there may be trouble. Phone them too."
    else:
        did = "Nothing was done. Phone its contacts."
    words = f"{fault} {did} In trouble call {facts.rescue_call}."
    return problem(500, "The dive cannot be read", words, code=UNREADABLE)


def _no_dive() -> Response:
    return problem(404, "Not Found", "Your club has no dive with this id.")


def _json(body: Any, status: int = 200) -> Response:
    return Response(msgspec.json.encode(body), status=status, content_type="application/json")
