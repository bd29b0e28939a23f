"""One's own account: the password, the browsers that are signed in, and the second step."""

from __future__ import annotations

import io

import segno
from cryptography.fernet import Fernet
from flask import Blueprint, abort, make_response, redirect, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup

from service.operations import own_account as account
from service.operations.admin_roles import AdminRole
from service.operations.links import hash_token
from service.operations.one_time_codes import secrets_sealer
from service.operations.own_account import RefusedError
from service.operations.pages import receiving_number
from service.operations.password_rules import SHORTEST
from service.web.context import web
from service.web.desk.sitting import SIGN_IN_PATH, at_desk, desk, forget

pages = Blueprint("desk_own_account", __name__)

OWN_PATH = "/admin/own-account"
STEP_PATH = f"{OWN_PATH}/second-step"
TOO_OFTEN = "Too many tries. Wait a quarter of an hour. Alarms, texts and links go on all the while."
DONE = {
    "details": "Your name and phone are as you have given them.",
    "password": "Your password is changed. Every other browser is signed out.",
    "browser": "That browser is signed out.",
    "second-step-off": "The second step is off. Every other browser is signed out.",
}


@pages.get(OWN_PATH)
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """How one signs in. `?done=` says what was just done."""
    return _page(done=DONE.get(request.args.get("done", "")))


@pages.post(f"{OWN_PATH}/details")
@at_desk(AdminRole.VIEWER)
def change_details() -> ResponseReturnValue:
    """Another name, or another phone to be told on; needs the password."""
    name, phone = request.form.get("name", ""), request.form.get("phone", "")
    try:
        _count("password")
        account.change_details(web().service, desk().admin, request.form.get("password", ""), name, phone)
    except RefusedError as refused:
        return _page(wrong=refused, of="details", typed=(name, phone)), 422
    return redirect(f"{OWN_PATH}?done=details", 303)


@pages.post(f"{OWN_PATH}/password")
@at_desk(AdminRole.VIEWER)
def change_password() -> ResponseReturnValue:
    """Take a new one; needs the old one."""
    old, new = request.form.get("old_password", ""), request.form.get("new_password", "")
    try:
        _count("old_password")
        account.change_password(web().service, desk().admin, desk().token, old, new)
    except RefusedError as refused:
        return _page(wrong=refused), 422
    return redirect(f"{OWN_PATH}?done=password", 303)


@pages.post(f"{OWN_PATH}/browsers/<handle>/sign-out")
@at_desk(AdminRole.VIEWER)
def end_browser(handle: str) -> ResponseReturnValue:
    """Sign one of one's own browsers out."""
    if not account.end_browser(web().service, desk().admin, handle):
        abort(404)
    return redirect(f"{OWN_PATH}?done=browser", 303)


@pages.post(f"{OWN_PATH}/sign-out-everywhere")
@at_desk(AdminRole.VIEWER)
def leave_everywhere() -> ResponseReturnValue:
    """Sign all of one's own browsers out, this one too."""
    account.sign_out_everywhere(web().service, desk().admin)
    return forget(make_response(redirect(SIGN_IN_PATH, 303)))


@pages.post(f"{STEP_PATH}/begin")
@at_desk(AdminRole.VIEWER)
def begin() -> ResponseReturnValue:
    """Make a secret; needs the password."""
    try:
        _count("password")
        account.begin_second_factor(web().service, desk().admin, request.form.get("password", ""), _seal())
    except RefusedError as refused:
        return _page(wrong=refused, of="begin"), 422
    return redirect(STEP_PATH, 303)


@pages.get(STEP_PATH)
@at_desk(AdminRole.VIEWER)
def set_up() -> ResponseReturnValue:
    """The secret, as a QR code and in letters, while it waits to be confirmed."""
    return _set_up()


@pages.post(STEP_PATH)
@at_desk(AdminRole.VIEWER)
def confirm() -> ResponseReturnValue:
    """Ask for codes from now on, and show the recovery codes, once."""
    try:
        _count("code")
        codes = account.confirm_second_factor(
            web().service, desk().admin, desk().token, request.form.get("code", ""), _seal(), web().wall.now()
        )
    except RefusedError as refused:
        return _set_up(wrong=refused)
    return render_template("desk/recovery_codes.html", codes=codes, fresh=True)


@pages.post(f"{STEP_PATH}/off")
@at_desk(AdminRole.VIEWER)
def turn_off() -> ResponseReturnValue:
    """Ask for no codes any more; needs the password and a code."""
    password, code = request.form.get("password", ""), request.form.get("code", "")
    try:
        _count("password")
        account.end_second_factor(web().service, desk().admin, desk().token, password, code, _seal(), web().wall.now())
    except RefusedError as refused:
        return _page(wrong=refused, of="off"), 422
    return redirect(f"{OWN_PATH}?done=second-step-off", 303)


@pages.post(f"{STEP_PATH}/recovery-codes")
@at_desk(AdminRole.VIEWER)
def renew_codes() -> ResponseReturnValue:
    """Ten new ones, shown once; needs the password and a code."""
    password, code = request.form.get("password", ""), request.form.get("code", "")
    try:
        _count("password")
        codes = account.renew_recovery_codes(web().service, desk().admin, password, code, _seal(), web().wall.now())
    except RefusedError as refused:
        return _page(wrong=refused, of="codes"), 422
    return render_template("desk/recovery_codes.html", codes=codes, fresh=False)


def _set_up(wrong: RefusedError | None = None) -> ResponseReturnValue:
    begun = account.begun_second_factor(web().service, desk().admin, _seal())
    if begun is None:
        return redirect(OWN_PATH, 303)
    secret = " ".join(begun.secret[at : at + 4] for at in range(0, len(begun.secret), 4))
    page = render_template("desk/second_step.html", secret=secret, picture=_qr(begun.address), wrong=wrong)
    return page, 200 if wrong is None else 422


def _qr(words: str) -> Markup:
    """A QR code as SVG without style, which the content security policy would refuse."""
    drawn = io.BytesIO()
    qr = segno.make(words, error="m")
    qr.save(
        drawn, kind="svg", xmldecl=False, svgns=True, omitsize=True, border=4, svgclass="sealed-code", lineclass=None
    )
    # Nothing in it comes from anybody but segno: the words are in the shape of its one path.
    return Markup(drawn.getvalue().decode())  # noqa: S704 - drawn by segno, nothing in it was typed


def _seal() -> Fernet:
    return secrets_sealer(web().settings.secret_key)


def _count(field: str) -> None:
    """Count one more try to prove something, of this session. Raises RefusedError when that is too many."""
    if not web().bounds.proofs_by_session.take(hash_token(desk().token), web().service.clock.now()):
        raise RefusedError(TOO_OFTEN, field)


def _page(
    *,
    wrong: RefusedError | None = None,
    of: str = "password",
    done: str | None = None,
    typed: tuple[str, str] | None = None,
) -> str:
    service, here = web().service, desk()
    standing = account.standing(service, here.admin, here.token)
    name, phone = typed or (here.admin.name, standing.phone or "")
    return render_template(
        "desk/own_account.html",
        standing=standing,
        number=receiving_number(service, here.admin.club_id),
        name=name,
        phone=phone,
        name_max=account.NAME_MAX,
        wrong=wrong,
        of=of,
        done=done,
        shortest=SHORTEST,
        zone=here.admin.zone,
        now=service.clock.now(),
    )
