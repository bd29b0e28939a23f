"""Sheets to print: the sign of a site, plan cards and contacts' cards, on A4 or US letter and in every language."""

from __future__ import annotations

from flask import Blueprint, abort, redirect, render_template, request
from flask.typing import ResponseReturnValue

from service.documents import fridge_card, site_sign
from service.operations import printing
from service.operations.admin_roles import AdminRole
from service.operations.sites import list_sites
from service.web.context import web
from service.web.desk.sitting import at_desk, desk
from service.web.printed import PAPER_NAMES, chosen, printed_card, sheet, too_long
from service.web.ways_words import LANGUAGE_NAMES

pages = Blueprint("desk_paper", __name__)


@pages.get("/admin/paper")
@at_desk(AdminRole.VIEWER)
def show() -> ResponseReturnValue:
    """What can be printed, and on what. Each button fetches a file and changes nothing."""
    return render_template(
        "desk/paper.html",
        sites=list_sites(web().service, desk().admin.club_id),
        languages=LANGUAGE_NAMES,
        papers=PAPER_NAMES,
    )


@pages.get("/admin/paper/sign.pdf")
@at_desk(AdminRole.VIEWER)
def sign() -> ResponseReturnValue:
    """The sign of `?site=`; of the first in the list where the address names none."""
    paper, language = chosen()
    club_id = desk().admin.club_id
    listed = [site.code for site in list_sites(web().service, club_id)]
    if not listed:
        return redirect("/admin/paper", 303)  # which says that a sign needs a site
    found = printing.site_sign(web().service, club_id, _site() or listed[0]) or abort(404)
    try:
        return sheet(site_sign.to_pdf(found, paper, language), f"sign-{found.code.lower()}-{language}")
    except ValueError as error:
        return too_long(error)


@pages.get("/admin/paper/plan-card.pdf")
@at_desk(AdminRole.VIEWER)
def blank_plan_card() -> ResponseReturnValue:
    """A plan card to fill in, for `?site=` or any."""
    return printed_card(printing.blank_plan_card(web().service, desk().admin.club_id, _site()) or abort(404))


@pages.get("/admin/paper/contact-card.pdf")
@at_desk(AdminRole.VIEWER)
def contact_card() -> ResponseReturnValue:
    """A contact's card, with whom to call at `?site=` or room to write it."""
    paper, language = chosen()
    card = printing.contact_card(web().service, desk().admin.club_id, _site()) or abort(404)
    try:
        return sheet(fridge_card.to_pdf(card, paper, language), f"contact-card-{language}")
    except ValueError as error:
        return too_long(error)


@pages.get("/admin/paper/dives/<dive_id>/plan-card.pdf")
@at_desk(AdminRole.VIEWER)
def filled_plan_card(dive_id: str) -> ResponseReturnValue:
    """The card of a plan of the club."""
    return printed_card(printing.plan_card_of(web().service, desk().admin.club_id, dive_id) or abort(404))


def _site() -> str | None:
    return request.args.get("site") or None
