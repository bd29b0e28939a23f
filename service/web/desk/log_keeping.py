"""How long the log keeps who and what, which dives are kept whole, and the checkpoints with their mails."""

from __future__ import annotations

import re
from typing import Final

from flask import Blueprint, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.domain.people import Channel
from service.operations import retention
from service.operations.admin_roles import AdminRole
from service.operations.checkpointing import checkpoint_of, checkpoints_of
from service.operations.keeping import keeping, set_days
from service.web.context import web
from service.web.desk.log import PATH, always
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_log_keeping", __name__)

_HASH: Final = re.compile(r"[0-9a-f]{64}")


@pages.get(f"{PATH}/keeping")
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """The club's days, the dives that are kept, and what was last erased."""
    return _page()


@pages.post(f"{PATH}/keeping")
@at_desk(AdminRole.OWNER)
def set_them() -> ResponseReturnValue:
    """Set the days."""
    typed = request.form.get("days", "")
    refused = set_days(web().service, desk().admin, typed)
    if refused is not None:
        return _page(wrong=refused.words, typed=typed), 422
    return redirect(f"{PATH}/keeping", 303)


@pages.get(f"{PATH}/checkpoints")
@at_desk(AdminRole.VIEWER)
def show_checkpoints() -> ResponseReturnValue:
    """The last checkpoints; `?hash=` looks for one, as a mail has it."""
    typed = "".join(request.args.get("hash", "").split()).lower()
    given = typed if _HASH.fullmatch(typed) else None
    service = web().service
    return render_template(
        "desk/log_checkpoints.html",
        known=checkpoints_of(service, desk().admin.club_id),
        carries_mail=Channel.EMAIL in service.channels,
        typed=typed[:64],
        asked=bool(typed),
        given=given,
        match=None if given is None else checkpoint_of(service, desk().admin.club_id, given),
        **always(),
    )


def _page(*, wrong: str | None = None, typed: str | None = None) -> str:
    found = keeping(web().service, desk().admin.club_id)
    return render_template(
        "desk/log_keeping.html",
        found=found,
        typed=str(found.days) if typed is None else typed,
        wrong=wrong,
        usual=retention.DAYS_USUAL,
        least=retention.DAYS_MIN,
        most=retention.DAYS_MAX,
        **always(),
    )
