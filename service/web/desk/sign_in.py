"""Signing in to the desk, in one step or in two, and out of it."""

from __future__ import annotations

from flask import Blueprint, Response, make_response, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.operations.admin_roles import AdminRole
from service.operations.one_time_codes import secrets_sealer
from service.operations.signing_in import (
    CODE_WITHIN,
    Browser,
    CodeWanted,
    Entered,
    Over,
    TooOften,
    Wrong,
    enter_code,
    sign_in,
    sign_out,
)
from service.web.access import Who, open_to
from service.web.bounds import address_key
from service.web.context import web
from service.web.desk.browsers import browser_words
from service.web.desk.sitting import (
    SIGN_IN_PATH,
    at_desk,
    browser_cookie_name,
    cookie_name,
    desk,
    drop_cookie,
    forget,
    keep,
    keep_known,
    set_cookie,
    step_cookie_name,
)

pages = Blueprint("desk_sign_in", __name__)

FIRST_PAGE = "/admin/board"
CODE_PATH = f"{SIGN_IN_PATH}/code"
WRONG = "That address and password do not belong together. Nothing else is told, to anybody."
WRONG_CODE = "This is not the code of this half minute, or it was used already. Wait for the next one."
TOO_OFTEN = (
    "Too many tries. Wait a quarter of an hour, or use a browser on which you have signed in before. Alarms, texts and"
    " links go on all the while."
)


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
    return render_template("desk/sign_in.html", wrong=None, email="", welcome="welcome" in request.args)


@pages.post(SIGN_IN_PATH)
@open_to(Who.ANYONE)
def enter() -> ResponseReturnValue:
    """Try address and password. The same words for an unknown address and a wrong password."""
    email, password = request.form.get("email", ""), request.form.get("password", "")
    outcome = sign_in(web().service, email, password, _browser(), lambda: _stranger_may(email))
    match outcome:
        case Entered():
            return _entered(outcome)
        case CodeWanted(token):
            return set_cookie(make_response(redirect(CODE_PATH, 303)), step_cookie_name(), token, CODE_WITHIN)
        case Wrong():
            return render_template("desk/sign_in.html", wrong=WRONG, email=email), 403
        case TooOften():
            return render_template("desk/sign_in.html", wrong=TOO_OFTEN, email=email), 429


@pages.get(CODE_PATH)
@open_to(Who.ANYONE)
def ask_code() -> ResponseReturnValue:
    """The form of the second step. Whose code is waited for is in the cookie, and not looked up before one comes."""
    return render_template("desk/sign_in_code.html", wrong=None)


@pages.post(CODE_PATH)
@open_to(Who.ANYONE)
def second_step() -> ResponseReturnValue:
    """Try a code. Without a password before it there is nothing to try."""
    token, typed = request.cookies.get(step_cookie_name(), ""), request.form.get("code", "")
    seal = secrets_sealer(web().settings.secret_key)
    outcome = enter_code(web().service, token, typed[:100], _browser(), seal, web().wall.now())
    match outcome:
        case Entered():
            return drop_cookie(_entered(outcome), step_cookie_name())
        case Over():
            return drop_cookie(make_response(redirect(SIGN_IN_PATH, 303)), step_cookie_name())
        case Wrong():
            return render_template("desk/sign_in_code.html", wrong=WRONG_CODE), 403
        case TooOften():
            return render_template("desk/sign_in_code.html", wrong=TOO_OFTEN), 429


@pages.post("/admin/sign-out")
@at_desk(AdminRole.VIEWER)
def leave() -> ResponseReturnValue:
    """End this browser's session."""
    sign_out(web().service, desk().token, desk().admin)
    return forget(make_response(redirect(SIGN_IN_PATH, 303)))


def _entered(entered: Entered) -> Response:
    return keep_known(keep(make_response(redirect(FIRST_PAGE, 303)), entered.token), entered.known_by)


def _browser() -> Browser:
    cookies = request.cookies
    return Browser(
        known_by=cookies.get(browser_cookie_name(), ""),
        words=browser_words(request.headers.get("User-Agent", "")),
        session=cookies.get(cookie_name(), ""),
    )


def _stranger_may(email: str) -> bool:
    """Count a try on a browser that this admin has not used before: of everybody, by address, and by account.

    Per account and address first: whoever guesses from one place uses up the tries of that place, and not those of the
    admin who sits elsewhere. The bounds over many places are wider, and known browsers pass by all of them.
    """
    bounds, now = web().bounds, web().service.clock.now()
    place, account = address_key(request.remote_addr), email.strip().casefold()[:200]
    return (
        bounds.sign_ins_by_account_and_address.take(f"{account} {place}", now)
        and bounds.sign_ins_by_address.take(place, now)
        and bounds.sign_ins_by_account.take(account, now)
        and bounds.sign_ins.take("all", now)
    )
