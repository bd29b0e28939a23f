"""The board screens of a club: making one, taking one off, and the page on which a browser becomes one.

Opening the link does nothing, since previewers open links; pressing its button does, once.
"""

from __future__ import annotations

from flask import Blueprint, abort, make_response, redirect, render_template
from flask.typing import ResponseReturnValue

from service.operations.admin_roles import AdminRole
from service.operations.board_screens import (
    NAME_MAX,
    SCREENS_MAX,
    BoardScreen,
    make_screen,
    offered,
    open_screen,
    revoke_screen,
    screens,
)
from service.web.access import Who, open_to
from service.web.context import web
from service.web.desk.sitting import at_desk, desk, keep_screen
from service.web.links import TOKEN_LONGEST
from service.web.typed import words_typed

pages = Blueprint("desk_screens", __name__)

LIST_PATH = "/admin/screens"
BOARD_PATH = "/admin/board"
NO_NAME = "Give it a name, such as where it hangs, so that you know later which one to take off."
TOO_MANY = f"There are {SCREENS_MAX} screens. Take those off that are not used any more."


@pages.get(LIST_PATH)
@at_desk(AdminRole.OFFICER)
def show() -> ResponseReturnValue:
    """All screens, with when each was last heard of."""
    return _page()


@pages.post(LIST_PATH)
@at_desk(AdminRole.OFFICER)
def make() -> ResponseReturnValue:
    """Make one; its link is shown once."""
    name = words_typed("name", NAME_MAX)
    if not name:
        return _page(wrong=NO_NAME), 422
    token = make_screen(web().service, desk().admin, name)
    if token is None:
        return _page(wrong=TOO_MANY, name=name), 422
    return _page(made=name, link=f"{web().settings.public_url}{BOARD_PATH}/screen/{token}")


@pages.post(f"{LIST_PATH}/<screen_id>/off")
@at_desk(AdminRole.OFFICER)
def take_off(screen_id: str) -> ResponseReturnValue:
    """It shows nothing from now on, alarm or not: a lost screen must be stopped."""
    name = revoke_screen(web().service, desk().admin, screen_id) or abort(404)
    return _page(taken_off=name)


@pages.get(f"{BOARD_PATH}/screen/<token>")
@open_to(Who.LINK_HOLDER)
def offer(token: str) -> ResponseReturnValue:
    """What this browser would become, and the button."""
    screen = _offered(token)
    return _dead() if screen is None else render_template("desk/screen_offer.html", screen=screen)


@pages.post(f"{BOARD_PATH}/screen/<token>")
@open_to(Who.LINK_HOLDER)
def become(token: str) -> ResponseReturnValue:
    """This browser is the screen from now on, and the link is used up."""
    cookie = None if _offered(token) is None else open_screen(web().service, token)
    return _dead() if cookie is None else keep_screen(make_response(redirect(BOARD_PATH, 303)), cookie)


def _offered(token: str) -> BoardScreen | None:
    return offered(web().service, token) if len(token) <= TOKEN_LONGEST else None


def _dead() -> ResponseReturnValue:
    again = "Somebody at the club's desk can make a new one under Board screens."
    return render_template("desk/dead_link.html", lasts="seven days", again=again), 410


def _page(
    *,
    wrong: str | None = None,
    name: str = "",
    made: str | None = None,
    link: str | None = None,
    taken_off: str | None = None,
) -> str:
    service, admin = web().service, desk().admin
    return render_template(
        "desk/screens.html",
        screens=screens(service, admin.club_id),
        wrong=wrong,
        name=name,
        made=made,
        link=link,
        taken_off=taken_off,
        name_max=NAME_MAX,
        zone=admin.zone,
        now=service.clock.now(),
    )
