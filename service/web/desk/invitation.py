"""Accepting an invitation: the page behind its link, for somebody who has no account yet.

Opening it changes nothing, since previewers open links. What was typed stays in the form, but for the password.
"""

from __future__ import annotations

from flask import Blueprint, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.operations.inviting import Accepting, Invitation, accept, invited
from service.operations.own_account import NAME_MAX, RefusedError
from service.operations.password_rules import SHORTEST
from service.web.access import Who, open_to
from service.web.context import web
from service.web.desk.accounts import INVITATION_PATH, ROLE_WORDS
from service.web.desk.sitting import SIGN_IN_PATH
from service.web.links import TOKEN_LONGEST

pages = Blueprint("desk_invitation", __name__)


@pages.get(f"{INVITATION_PATH}/<token>")
@open_to(Who.LINK_HOLDER)
def show(token: str) -> ResponseReturnValue:
    """What one is invited to, and the form."""
    invitation = _open(token)
    return _dead() if invitation is None else _page(invitation)


@pages.post(f"{INVITATION_PATH}/<token>")
@open_to(Who.LINK_HOLDER)
def take(token: str) -> ResponseReturnValue:
    """Become an admin; then one signs in with what was typed, so that the first sign-in is like every other."""
    invitation = _open(token)
    if invitation is None:
        return _dead()
    form = request.form
    typed = Accepting(form.get("name", ""), form.get("phone", ""), form.get("password", ""))
    try:
        admin = accept(web().service, token, typed)
    except RefusedError as refused:
        return _page(invitation, typed, refused), 422
    return _dead() if admin is None else redirect(f"{SIGN_IN_PATH}?welcome=1", 303)


def _open(token: str) -> Invitation | None:
    return invited(web().service, token) if len(token) <= TOKEN_LONGEST else None


def _page(invitation: Invitation, typed: Accepting | None = None, wrong: RefusedError | None = None) -> str:
    return render_template(
        "desk/invitation.html",
        invitation=invitation,
        role_words=ROLE_WORDS[invitation.role],
        typed=typed,
        wrong=wrong,
        name_max=NAME_MAX,
        shortest=SHORTEST,
        now=web().service.clock.now(),
    )


def _dead() -> ResponseReturnValue:
    again = "An owner of the club can invite you once more."
    return render_template("desk/dead_link.html", lasts="seven days", again=again), 410
