"""The club's messages: those that failed first, one from cause to receipt, and sending one again for a reason."""

from __future__ import annotations

from datetime import datetime

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.domain import codes
from service.operations.admin_roles import AdminRole
from service.operations.message_life import SHOWN_MAX, Life, Standing, life_of, listed, listed_of, stands_since
from service.operations.resending import RESENT, NotResent, resend
from service.web.context import web
from service.web.desk.sitting import at_desk, desk
from service.web.message_words import CHANNEL_WORDS, STANDING_WORDS, happenings, why
from service.web.speaking import without_token

pages = Blueprint("desk_messages", __name__)


@pages.get("/admin/messages")
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """The latest messages; `?standing=` shows only those, `?dive=` those of one dive, by its id or its reference."""
    asked = request.args.get("standing", "")
    only = Standing(asked) if asked in list(Standing) else None
    typed = request.args.get("dive", "").strip()
    reference = codes.read_reference(typed)
    service, club_id = web().service, desk().admin.club_id
    found = listed_of(service, club_id, only, reference or typed) if typed else listed(service, club_id, only)
    unread = typed if found.of is None and reference is None else ""
    if unread:
        found = listed(service, club_id, only)
    return render_template(
        "desk/messages.html",
        lines=found.lines,
        of=found.of,
        others=found.others,
        only=only,
        dive="" if unread else reference or typed,
        unread=unread,
        standings=STANDING_WORDS,
        channels=CHANNEL_WORDS,
        since=stands_since,
        most=SHOWN_MAX,
        **_always(),
    )


@pages.get("/admin/messages/<message_id>")
@at_desk(AdminRole.VIEWER)
def one(message_id: str) -> ResponseReturnValue:
    """One message's life. `?again=` is the id under which it was just sent once more."""
    life, again = _life(message_id), request.args.get("again")
    # A link that somebody made up must not say that something was sent.
    sent = any((entry.detail or {}).get("again") == again for entry in life.log if entry.kind == RESENT)
    return _page(life, again=again if sent else None)


@pages.post("/admin/messages/<message_id>")
@at_desk(AdminRole.OFFICER)
def again(message_id: str) -> ResponseReturnValue:
    """Send it once more; the reason stays in the log."""
    life = _life(message_id)
    reason = request.form.get("reason", "")
    outcome = resend(web().service, desk().admin, message_id, reason, _times())
    if isinstance(outcome, NotResent):
        return _page(life, wrong=outcome.words, reason=reason), 422
    return redirect(f"/admin/messages/{message_id}?again={outcome.message_id}", 303)


def _times() -> int:
    given = request.form.get("times", "")
    return int(given) if given.isascii() and given.isdecimal() and len(given) <= 2 else -1  # noqa: PLR2004 - two digits


def _life(message_id: str) -> Life:
    return life_of(web().service, desk().admin.club_id, message_id) or abort(404)


def _page(life: Life, *, wrong: str | None = None, reason: str = "", again: str | None = None) -> str:
    return render_template(
        "desk/message.html",
        life=life,
        words=without_token(life.line.message.body),
        happenings=happenings(life),
        standings=STANDING_WORDS,
        channels=CHANNEL_WORDS,
        wrong=wrong,
        reason=reason,
        again=again,
        **_always(),
    )


def _always() -> dict[str, object]:
    """What every page of the desk needs."""
    now: datetime = web().service.clock.now()
    return {"zone": desk().admin.zone, "now": now, "why": why}
