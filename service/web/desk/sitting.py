"""Who sits at a club's desk: the cookie, the check before each view, and what a form must carry.

Here a browser does carry authority, so that another site could borrow it. So the cookie is kept from other sites
(SameSite=Strict) and every form carries a token that only a page of this session has.
"""

from __future__ import annotations

import hashlib
import hmac
from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from http import HTTPStatus
from typing import ParamSpec

from flask import Response, g, redirect, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup
from werkzeug.exceptions import Forbidden

from service.operations.admin_roles import AdminRole
from service.operations.signing_in import LASTS, SignedIn, signed_in
from service.web.access import Who, open_to
from service.web.context import web

FORM_TOKEN = "desk"  # noqa: S105 - the name of a field
SIGN_IN_PATH = "/admin/sign-in"
_PURPOSE = b"linetender desk form"
_NEEDS = "needs_role"

P = ParamSpec("P")


@dataclass(frozen=True, slots=True)
class Desk:
    """One admin in one browser."""

    admin: SignedIn
    token: str

    @property
    def form_token(self) -> str:
        """What every form of this session carries."""
        return hmac.new(self.token.encode(), _PURPOSE, hashlib.sha256).hexdigest()[:32]


def at_desk(
    needs: AdminRole,
) -> Callable[[Callable[P, ResponseReturnValue]], Callable[P, ResponseReturnValue]]:
    """Serve a view to a signed-in admin of that role or a higher one; others are asked to sign in.

    A form must be one of ours. Who may not is told so and nothing is done.
    """

    def for_role(view: Callable[P, ResponseReturnValue]) -> Callable[P, ResponseReturnValue]:
        @open_to(Who.ADMIN)
        @wraps(view)
        def served(*args: P.args, **kwargs: P.kwargs) -> ResponseReturnValue:
            found = _found()
            if found is None:
                return redirect(SIGN_IN_PATH, 303)
            if request.method == "POST" and not _is_ours(found):
                raise Forbidden
            g.desk = found
            if not found.admin.role.may(needs):
                words = (
                    f"That takes the role {needs}. Yours is {found.admin.role}; an owner of your club can change it."
                )
                return render_template("error.html", title="Not with your role", words=words), HTTPStatus.FORBIDDEN
            return view(*args, **kwargs)

        setattr(served, _NEEDS, needs)
        return served

    return for_role


def _too_much(role: AdminRole, needs: AdminRole) -> ResponseReturnValue:
    words = f"That takes the role {needs}. Yours is {role}; an owner of your club can change it."
    return render_template("error.html", title="Not with your role", words=words), HTTPStatus.FORBIDDEN


def role_needed(view: Callable[..., object]) -> AdminRole | None:
    """The role that a view asks for; None where it asks for none."""
    return getattr(view, _NEEDS, None)


def desk() -> Desk:
    """Who sits at the desk, inside a view that is served to admins."""
    found: Desk = g.desk
    return found


def sitter() -> Desk | None:
    """Who sits at the desk, or None in a view that is not of the desk."""
    found: Desk | None = g.get("desk")
    return found


def form_token() -> Markup:
    """The hidden field that every form of the desk carries."""
    return Markup('<input type="hidden" name="{}" value="{}">').format(FORM_TOKEN, desk().form_token)


def cookie_name() -> str:
    """Under https the prefix makes browsers refuse a cookie that another host of the domain has set."""
    return "__Host-desk" if _is_https() else "desk"


def keep(response: Response, token: str) -> Response:
    """Sign this browser in."""
    response.set_cookie(
        cookie_name(),
        token,
        max_age=int(LASTS.total_seconds()),
        secure=_is_https(),
        httponly=True,
        samesite="Strict",
        path="/",
    )
    return response


def forget(response: Response) -> Response:
    """Sign this browser out."""
    response.delete_cookie(cookie_name(), path="/", secure=_is_https(), httponly=True, samesite="Strict")
    return response


def _found() -> Desk | None:
    token = request.cookies.get(cookie_name())
    admin = signed_in(web().service, token) if token else None
    return None if admin is None or token is None else Desk(admin, token)


def _is_ours(found: Desk) -> bool:
    given = request.form.get(FORM_TOKEN, "")
    return hmac.compare_digest(given.encode("utf-8", errors="surrogatepass"), found.form_token.encode())


def _is_https() -> bool:
    return web().settings.public_url.startswith("https:")
