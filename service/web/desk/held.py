"""After a restore: which dives of the club are asked before contacts are alerted, and letting their clocks go on."""

from __future__ import annotations

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from service.operations.admin_roles import AdminRole
from service.operations.board import board
from service.operations.recovering import confirm_for_club
from service.web.context import web
from service.web.desk.board_words import held_lines, shown_alone
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_held", __name__)


@pages.get("/admin/board/held")
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """The dives that are held, and what to do."""
    return _page()


@pages.post("/admin/board/held")
@at_desk(AdminRole.OFFICER)
def go_on() -> ResponseReturnValue:
    """An officer knows who is in the water, so nobody needs to be asked. A second press finds nothing held."""
    ended = confirm_for_club(web().service, desk().admin)
    clocks = "1 clock goes on." if ended == 1 else f"{ended} clocks go on."
    return _page(f"{clocks} What was due meanwhile follows at once." if ended else "Nothing was held up any more.")


def _page(told: str | None = None) -> ResponseReturnValue:
    admin = desk().admin
    now = board(web().service, admin.club_id, admin.zone)
    lines = held_lines(now)
    return render_template(
        "desk/held.html",
        dives=[shown_alone(line, now.now, admin.zone) for line in lines],
        until=max((line.held_until_at for line in lines if line.held_until_at is not None), default=None),
        now=now.now,
        zone=admin.zone,
        told=told,
        may=admin.role.may(AdminRole.OFFICER),
    )
