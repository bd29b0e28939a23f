"""The bounds on what the club sends beside its armed dives, for its owners."""

from __future__ import annotations

from collections.abc import Mapping

from flask import Blueprint, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.domain.sending import Sort, Why, country_list, country_name
from service.operations.admin_roles import AdminRole
from service.operations.sending_desk import StaleLimitsError, change, view
from service.operations.sending_settings import COUNTS, LimitsError, read_limits, typed_of
from service.web.context import web
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_sending", __name__)

STALE = "Another owner changed the bounds meanwhile. They are shown as they are now, and yours were not saved."
SORT_WORDS: Mapping[Sort, str] = {
    Sort.PLAN: "plans by the open form",
    Sort.INTRODUCTION: "introductions of new contacts",
    Sort.ANSWER: "answers to phones without a dive",
    Sort.JOINING: "codes to join",
    Sort.DRILL: "drills",
    Sort.RESENT: "messages sent once more from the desk",
}
WHY_WORDS: Mapping[Why, str] = {
    Why.COUNTRY: "the country is not on the list",
    Why.NUMBER: "one phone had had enough for a day",
    Why.HOUR: "the hour was used up",
    Why.DAY: "the day was used up",
    Why.DRILLS: "the day's drills were used up",
    Why.SPEND: "the month's money was used up",
}


@pages.get("/admin/sending")
@at_desk(AdminRole.OWNER)
def show() -> ResponseReturnValue:
    """What holds, and what was used of it."""
    return _page(None, saved=request.args.get("saved") == "yes")


@pages.post("/admin/sending")
@at_desk(AdminRole.OWNER)
def keep() -> ResponseReturnValue:
    """Set the bounds."""
    typed = request.form.to_dict()
    try:
        change(web().service, desk().admin, read_limits(typed), typed.get("made_from", ""))
    except LimitsError as refused:
        return _page(typed, errors=refused.errors, status=422)
    except StaleLimitsError:
        return _page(None, stale=STALE, status=409)
    return redirect("/admin/sending?saved=yes", 303)


def _page(
    typed: Mapping[str, str] | None,
    *,
    errors: Mapping[str, str] | None = None,
    stale: str | None = None,
    saved: bool = False,
    status: int = 200,
) -> ResponseReturnValue:
    seen = view(web().service, desk().admin.club_id)
    page = render_template(
        "desk/sending.html",
        seen=seen,
        typed=typed_of(seen.limits) | dict(typed or {}),
        made_from=(typed or {}).get("made_from") or seen.mark,
        errors=errors or {},
        stale=stale,
        saved=saved,
        counts=COUNTS,
        own=country_name(seen.country) or seen.country,
        others=country_list(seen.limits.countries),
        sorts=SORT_WORDS,
        whys=WHY_WORDS,
        zone=desk().admin.zone,
        now=web().service.clock.now(),
    )
    return page, status
