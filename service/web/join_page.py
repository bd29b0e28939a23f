"""Joining a club by oneself: a form, then a text that proves the phone.

With one club /join is its form. With several, /join lists them and /join/<club> is the form of one.
"""

from __future__ import annotations

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.documents.sms_uri import sms
from service.operations import joining
from service.operations.joining import JoinRefused, JoinState
from service.operations.people import PersonRead
from service.store import clubs, sites
from service.store.tables.club import ClubRow
from service.web.access import Who, open_to
from service.web.bounds import address_key
from service.web.context import web
from service.web.person_form import PersonForm, empty_form, posted_form
from service.web.speaking import phone
from service.web.ways_words import LANGUAGE_NAMES

pages = Blueprint("join", __name__)

FROM_ONE_ADDRESS = "Much came from this connection within the last hour. Wait an hour, or ask the club to add you."
CONSENT = "Tick this if you agree. Without it nothing is kept."


@pages.get("/join")
@open_to(Who.ANYONE)
def choose() -> ResponseReturnValue:
    """The form of the only club, or the clubs to choose from."""
    known = web().service.read(clubs.listing)
    if len(known) == 1:
        return _form_page(known[0], empty_form())
    return render_template("join_clubs.html", clubs=known)


@pages.get("/join/<club_id>")
@open_to(Who.ANYONE)
def form(club_id: str) -> ResponseReturnValue:
    """An empty form of one club."""
    return _form_page(_club(club_id), empty_form())


@pages.post("/join/<club_id>")
@open_to(Who.ANYONE)
def begin(club_id: str) -> ResponseReturnValue:
    """Keep what was typed for ten minutes, and show the code that proves the phone."""
    club, typed = _club(club_id), posted_form(request.form)
    if request.form.get("consent") != "yes":
        return _form_page(club, typed.with_errors({"consent": CONSENT}), 422)
    if not _may():
        return _form_page(club, typed, 429, FROM_ONE_ADDRESS)
    begun = joining.begin(web().service, club.id, typed.typed())
    if isinstance(begun, PersonRead):
        return _form_page(club, typed.with_errors(begun.wrong), 422)
    if isinstance(begun, JoinRefused):
        return _form_page(club, typed, 429, begun.words)
    return redirect(f"/join/{club.id}/{begun}", 303)


@pages.get("/join/<club_id>/<join_token>")
@open_to(Who.ANYONE)
def proof(club_id: str, join_token: str) -> ResponseReturnValue:
    """The code and where to text it; once it came, that the phone is known."""
    return _proof_page(club_id, join_token)


@pages.post("/join/<club_id>/<join_token>/send")
@open_to(Who.ANYONE)
def send(club_id: str, join_token: str) -> ResponseReturnValue:
    """Text a code to a phone whose owner cannot text us."""
    _state(club_id, join_token)
    if not _may():
        return _proof_page(club_id, join_token, FROM_ONE_ADDRESS, 429)
    refused = joining.send_code(web().service, club_id, join_token, request.form.get("phone", "")[:100])
    if refused is not None:
        return _proof_page(club_id, join_token, refused.words, 422)
    return redirect(f"/join/{club_id}/{join_token}#sent", 303)


@pages.post("/join/<club_id>/<join_token>/code")
@open_to(Who.ANYONE)
def typed_code(club_id: str, join_token: str) -> ResponseReturnValue:
    """The code that was sent, typed here."""
    _state(club_id, join_token)
    refused = joining.type_code(web().service, club_id, join_token, request.form.get("code", "")[:100])
    if refused is not None:
        return _proof_page(club_id, join_token, refused.words, 422)
    return redirect(f"/join/{club_id}/{join_token}", 303)


def _may() -> bool:
    return web().bounds.joins_by_address.take(address_key(request.remote_addr), web().service.clock.now())


def _club(club_id: str) -> ClubRow:
    return web().service.read(lambda session: clubs.get(session, club_id)) or abort(404)


def _state(club_id: str, join_token: str) -> JoinState:
    return joining.state(web().service, club_id, join_token) or abort(404)


def _form_page(club: ClubRow, typed: PersonForm, status: int = 200, note: str | None = None) -> ResponseReturnValue:
    agreed = request.form.get("consent") == "yes"
    page = render_template("join.html", club=club, form=typed, languages=LANGUAGE_NAMES, note=note, agreed=agreed)
    return page, status


def _proof_page(club_id: str, join_token: str, wrong: str | None = None, status: int = 200) -> ResponseReturnValue:
    found = _state(club_id, join_token)
    known = web().service.read(lambda session: sites.listing(session, club_id))
    page = render_template(
        "join_proof.html",
        state=found,
        path=f"/join/{club_id}/{join_token}",
        club_id=club_id,
        number=phone(found.number, found.country),
        open_text=sms(found.number, found.code),
        code=f"{found.code[:4]} {found.code[4:]}",
        example=known[0].code if known else None,
        typed_phone=request.form.get("phone", ""),
        wrong=wrong,
        zone=_club(club_id).zone,
        now=web().service.clock.now(),
    )
    return page, status
