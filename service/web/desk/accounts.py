"""The admins of the club, for its owners: who they are, inviting one, changing a role, and ending an account."""

from __future__ import annotations

from collections.abc import Callable

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.operations.accounts import accounts, change_role, disable, reset_second_factor, sign_out_admin
from service.operations.admin_roles import AdminRole
from service.operations.inviting import EMAIL_MAX, invitations, invite, take_back
from service.operations.own_account import RefusedError
from service.operations.pages import receiving_number
from service.web.context import web
from service.web.desk.sitting import at_desk, desk
from service.web.typed import NOTHING_CHANGED

pages = Blueprint("desk_accounts", __name__)

LIST_PATH = "/admin/accounts"
INVITATION_PATH = "/admin/invitation"
ROLE_WORDS = {
    AdminRole.OWNER: "Owner: also accounts, the club's settings, and erasing",
    AdminRole.OFFICER: "Officer: runs dives, people, sites and drills",
    AdminRole.VIEWER: "Viewer: looks, and changes nothing",
}
NO_ROLE = f"Choose one of the three roles. {NOTHING_CHANGED}"
DONE = {
    "role": "The role is changed. They are signed out, and sign in again with it.",
    "out": "They are signed out on every browser.",
    "factor": "The second step is off. They are signed out, and sign in with the password alone.",
    "disabled": "The account is disabled. They are signed out, and no message about the club goes to them any more.",
    "taken-back": "The invitation is taken back. Its link opens nothing any more.",
}


@pages.get(LIST_PATH)
@at_desk(AdminRole.OWNER)
def show() -> ResponseReturnValue:
    """All accounts and open invitations. `?done=` says what was just done."""
    return _page(done=DONE.get(request.args.get("done", "")))


@pages.post(LIST_PATH)
@at_desk(AdminRole.OWNER)
def send() -> ResponseReturnValue:
    """Invite somebody; the link is shown once, for the owner to pass on."""
    email, role = request.form.get("email", ""), _role_typed()
    if role is None:
        return _page(wrong=RefusedError(NO_ROLE, "role"), email=email), 422
    try:
        token = invite(web().service, desk().admin, email, role)
    except RefusedError as refused:
        return _page(wrong=refused, email=email, role=role), 422
    return _page(invited=email.strip(), link=f"{web().settings.public_url}{INVITATION_PATH}/{token}")


@pages.post(f"{LIST_PATH}/invitations/<invitation_id>/take-back")
@at_desk(AdminRole.OWNER)
def revoke(invitation_id: str) -> ResponseReturnValue:
    """Its link opens nothing from now on."""
    return _done("taken-back", lambda: take_back(web().service, desk().admin, invitation_id))


@pages.post(f"{LIST_PATH}/<admin_id>/role")
@at_desk(AdminRole.OWNER)
def give_role(admin_id: str) -> ResponseReturnValue:
    """Another role, from now on; they sign in again."""
    role = _role_typed()
    if role is None:
        known = {one.admin_id for one in accounts(web().service, desk().admin.club_id)}
        return (_page(wrong=RefusedError(NO_ROLE, "admin")), 422) if admin_id in known else abort(404)
    return _done("role", lambda: change_role(web().service, desk().admin, admin_id, role))


@pages.post(f"{LIST_PATH}/<admin_id>/sign-out")
@at_desk(AdminRole.OWNER)
def end_sessions(admin_id: str) -> ResponseReturnValue:
    """Signed out on every browser."""
    return _done("out", lambda: sign_out_admin(web().service, desk().admin, admin_id))


@pages.post(f"{LIST_PATH}/<admin_id>/second-step-off")
@at_desk(AdminRole.OWNER)
def end_second_step(admin_id: str) -> ResponseReturnValue:
    """For who lost the device and the recovery codes."""
    return _done("factor", lambda: reset_second_factor(web().service, desk().admin, admin_id))


@pages.post(f"{LIST_PATH}/<admin_id>/disable")
@at_desk(AdminRole.OWNER)
def end_account(admin_id: str) -> ResponseReturnValue:
    """Can sign in no more, and is told nothing more."""
    return _done("disabled", lambda: disable(web().service, desk().admin, admin_id))


def _done(what: str, work: Callable[[], str | None]) -> ResponseReturnValue:
    try:
        if work() is None:
            abort(404)
    except RefusedError as refused:
        return _page(wrong=refused), 409
    return redirect(f"{LIST_PATH}?done={what}", 303)


def _role_typed() -> AdminRole | None:
    typed = request.form.get("role", "")
    return AdminRole(typed) if typed in list(AdminRole) else None


def _page(
    *,
    wrong: RefusedError | None = None,
    email: str = "",
    role: AdminRole | None = None,
    invited: str | None = None,
    link: str | None = None,
    done: str | None = None,
) -> str:
    service, admin = web().service, desk().admin
    listed = accounts(service, admin.club_id)
    return render_template(
        "desk/accounts.html",
        accounts=listed,
        nobody_hears=not any(one.phone and not one.deaf for one in listed),
        number=receiving_number(service, admin.club_id),
        invitations=invitations(service, admin.club_id),
        roles=ROLE_WORDS,
        wrong=wrong,
        email=email,
        role=role,
        invited=invited,
        link=link,
        done=done,
        email_max=EMAIL_MAX,
        zone=admin.zone,
        now=service.clock.now(),
    )
