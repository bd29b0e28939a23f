"""Who sits at a club's desk: the cookie, the check before each view, and what a form must carry.

Here a browser does carry authority, so that another site could borrow it. So the cookie is kept from other sites
(SameSite=Strict) and every form carries a token that only a page of this session has.
"""

from __future__ import annotations

import hashlib
import hmac
import logging
from collections.abc import Callable
from dataclasses import dataclass
from datetime import timedelta
from functools import wraps
from http import HTTPStatus
from typing import Final, ParamSpec

from flask import Response, abort, g, make_response, redirect, render_template, request
from flask.typing import ResponseReturnValue
from markupsafe import Markup
from werkzeug.exceptions import Forbidden

from service.operations.admin_roles import AdminRole
from service.operations.board_screens import BoardScreen, screen_of
from service.operations.signing_in import BROWSER_KNOWN_FOR, LASTS, PUT_OFF_MAX, SignedIn, signed_in
from service.web.access import Who, open_to
from service.web.context import web

FORM_TOKEN = "desk"  # noqa: S105 - the name of a field
SIGN_IN_PATH = "/admin/sign-in"
_PURPOSE = b"linetender desk form"
_NEEDS = "needs_role"
ROLE_REFUSED = "desk.role_refused"
FORM_REFUSED = "desk.form_refused"
_SCREEN_COOKIE_LASTS: Final = timedelta(days=400)  # browsers keep none for longer (RFC 6265bis); renewed by each page

_NOT_TYPED: Final = frozenset({FORM_TOKEN, "do", "version"})
_SECRET: Final = ("password", "code")

_log = logging.getLogger(__name__)

P = ParamSpec("P")


@dataclass(frozen=True, slots=True)
class _NotTaken:
    """Why a form was not taken, and where to go on."""

    words: str
    to: str
    button: str


SIGNED_OUT: Final = _NotTaken("You are signed out here. Sign in, and do it again.", SIGN_IN_PATH, "Sign in")
NOT_OF_THIS_SESSION: Final = _NotTaken(
    "That page is from before you signed in here, or was not made by us. Open it anew, and do it again.",
    "/admin/board",
    "To the water board",
)


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

    A form must be one of ours. Who may not is told so and nothing is done. What a page asks for by itself (no
    `text/html` in Accept) is no use of the session: a page that is left open signs itself out like any.
    """

    def for_role(view: Callable[P, ResponseReturnValue]) -> Callable[P, ResponseReturnValue]:
        @open_to(Who.ADMIN)
        @wraps(view)
        def served(*args: P.args, **kwargs: P.kwargs) -> ResponseReturnValue:
            found = _found(used=request.method == "POST" or _is_page())
            if found is None:
                # What a stranger sends is not read. Who has been here before has a cookie still.
                was_here = request.method == "POST" and cookie_name() in request.cookies
                return _not_taken(SIGNED_OUT) if was_here else redirect(SIGN_IN_PATH, 303)
            if request.method == "POST" and not _is_ours(found):
                _refused(FORM_REFUSED, found)
                return _not_taken(NOT_OF_THIS_SESSION)
            g.desk = found
            if not found.admin.role.may(needs):
                _refused(ROLE_REFUSED, found)
                return _too_much(found.admin.role, needs)
            return view(*args, **kwargs)

        setattr(served, _NEEDS, needs)
        return served

    return for_role


def _refused(event: str, found: Desk) -> None:
    """A line in the log of the process: whoever keeps the machine sees somebody try doors."""
    rule = request.url_rule
    _log.warning(event, extra={"admin": found.admin.admin_id, "route": None if rule is None else rule.rule})


def _not_taken(why: _NotTaken) -> ResponseReturnValue:
    """What somebody pressed on a page of before: that nothing was done, and their words, so that none are lost."""
    typed = [
        (name.replace("_", " "), value)
        for name, value in request.form.items(multi=True)
        if value.strip() and name not in _NOT_TYPED and not any(part in name for part in _SECRET)
    ]
    page = render_template("desk/not_taken.html", words=why.words, to=why.to, button=why.button, typed=typed)
    return page, HTTPStatus.FORBIDDEN


def _too_much(role: AdminRole, needs: AdminRole) -> ResponseReturnValue:
    words = f"That takes the role {needs}. Yours is {role}; an owner of your club can change it."
    return render_template("error.html", title="Not with your role", words=words), HTTPStatus.FORBIDDEN


def at_board(view: Callable[P, ResponseReturnValue]) -> Callable[P, ResponseReturnValue]:
    """Serve the water board: to an admin of any role, and to a board screen. It may be looked at and nothing more.

    Within the view `board_viewer()` says for which club, `sitter()` which admin and `board_screen()` which screen it
    is. A page asks who is nobody to sign in; what a page asks for by itself (no `text/html` in Accept) gets 401 for
    nobody and 403 for a screen that was taken off, so that the page can turn wrong at once. Such asking does not count
    as use of an admin's session: a board that is left open signs itself out like any page, but never during an alarm.
    """

    @open_to(Who.BOARD)
    @wraps(view)
    def served(*args: P.args, **kwargs: P.kwargs) -> ResponseReturnValue:
        if request.method not in {"GET", "HEAD"}:
            raise Forbidden
        found = _found(used=False)
        if found is not None:
            g.desk = found
            return view(*args, **kwargs)
        token = request.cookies.get(screen_cookie_name(), "")
        screen = screen_of(web().service, token) if token else None
        if screen is None:
            return redirect(SIGN_IN_PATH, 303) if _is_page() else abort(401)
        if screen.revoked:
            return make_response(render_template("desk/screen_off.html", screen=screen), 403)
        g.board_screen = screen
        response = make_response(view(*args, **kwargs))
        return keep_screen(response, token) if _is_page() else response

    return served


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


def board_screen() -> BoardScreen | None:
    """The screen that looks at the water board; None for an admin."""
    found: BoardScreen | None = g.get("board_screen")
    return found


def board_viewer() -> SignedIn | BoardScreen:
    """Who looks at the water board: `club_id`, `club_name` and `zone` are there for either."""
    return board_screen() or desk().admin


def form_token() -> Markup:
    """The hidden field that every form of the desk carries."""
    return Markup('<input type="hidden" name="{}" value="{}">').format(FORM_TOKEN, desk().form_token)


def cookie_name() -> str:
    """What the cookie of a session is called."""
    return _named("desk")


def browser_cookie_name() -> str:
    """What the cookie is called by which a browser is known again. It signs nobody in."""
    return _named("desk-browser")


def step_cookie_name() -> str:
    """What the cookie is called of somebody whose password was right and whose code is waited for."""
    return _named("desk-step")


def screen_cookie_name() -> str:
    """What the cookie of a board screen is called."""
    return _named("board")


def keep(response: Response, token: str) -> Response:
    """Sign this browser in. Its cookie lasts for as long as the session may be put off."""
    return set_cookie(response, cookie_name(), token, LASTS + PUT_OFF_MAX)


def keep_known(response: Response, token: str) -> Response:
    """Know this browser again."""
    return set_cookie(response, browser_cookie_name(), token, BROWSER_KNOWN_FOR)


def keep_screen(response: Response, token: str) -> Response:
    """Have this browser be a board screen, for as long as it goes on asking."""
    return set_cookie(response, screen_cookie_name(), token, _SCREEN_COOKIE_LASTS)


def forget(response: Response) -> Response:
    """Sign this browser out."""
    return drop_cookie(response, cookie_name())


def set_cookie(response: Response, name: str, token: str, lasts: timedelta) -> Response:
    """A cookie that no script reads and no other site sends."""
    seconds = int(lasts.total_seconds())
    response.set_cookie(name, token, max_age=seconds, secure=_is_https(), httponly=True, samesite="Strict", path="/")
    return response


def drop_cookie(response: Response, name: str) -> Response:
    """Have the browser forget it."""
    response.delete_cookie(name, path="/", secure=_is_https(), httponly=True, samesite="Strict")
    return response


def _named(name: str) -> str:
    """Under https the prefix makes browsers refuse a cookie that another host of the domain has set."""
    return f"__Host-{name}" if _is_https() else name


def _found(*, used: bool) -> Desk | None:
    token = request.cookies.get(cookie_name())
    admin = signed_in(web().service, token, used=used) if token else None
    return None if admin is None or token is None else Desk(admin, token)


def _is_page() -> bool:
    """Whether a person opens a page, and not a page something more."""
    accept = request.headers.get("Accept", "")
    return not accept or "text/html" in accept


def _is_ours(found: Desk) -> bool:
    given = request.form.get(FORM_TOKEN, "")
    return hmac.compare_digest(given.encode("utf-8", errors="surrogatepass"), found.form_token.encode())


def _is_https() -> bool:
    return web().settings.public_url.startswith("https:")
