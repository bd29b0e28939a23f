"""Signing in to the desk and out of it."""

from __future__ import annotations

from flask import Blueprint, make_response, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.operations.admin_roles import AdminRole
from service.operations.signing_in import sign_in, sign_out
from service.web.access import Who, open_to
from service.web.bounds import address_key
from service.web.context import web
from service.web.desk.sitting import SIGN_IN_PATH, at_desk, desk, forget, keep

pages = Blueprint("desk_sign_in", __name__)

FIRST_PAGE = "/admin/board"
WRONG = "That address and password do not belong together. Nothing else is told, to anybody."
TOO_OFTEN = "Too many tries from here. Wait a quarter of an hour. Alarms, texts and links go on all the while."


@pages.get("/admin")
@pages.get("/admin/")
@open_to(Who.ANYONE)
def front() -> ResponseReturnValue:
    """The desk begins with who is in the water."""
    return redirect(FIRST_PAGE, 303)


@pages.get(SIGN_IN_PATH)
@open_to(Who.ANYONE)
def show() -> ResponseReturnValue:
    """The form."""
    return render_template("desk/sign_in.html", wrong=None, email="")


@pages.post(SIGN_IN_PATH)
@open_to(Who.ANYONE)
def enter() -> ResponseReturnValue:
    """Try address and password. The same words for an unknown address and a wrong password."""
    email, password = request.form.get("email", ""), request.form.get("password", "")
    service, bounds = web().service, web().bounds
    now = service.clock.now()
    by_address = bounds.sign_ins_by_address.take(address_key(request.remote_addr), now)
    if not (by_address and bounds.sign_ins_by_account.take(email.strip().casefold()[:200], now)):
        return render_template("desk/sign_in.html", wrong=TOO_OFTEN, email=email), 429
    token = sign_in(service, email, password)
    if token is None:
        return render_template("desk/sign_in.html", wrong=WRONG, email=email), 403
    return keep(make_response(redirect(FIRST_PAGE, 303)), token)


@pages.post("/admin/sign-out")
@at_desk(AdminRole.VIEWER)
def leave() -> ResponseReturnValue:
    """End this browser's session."""
    sign_out(web().service, desk().token, desk().admin)
    return forget(make_response(redirect(SIGN_IN_PATH, 303)))
