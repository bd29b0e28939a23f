"""The sites of a club in a list, and a new one from a file."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime
from zoneinfo import ZoneInfo

from flask import Blueprint, render_template
from flask.typing import ResponseReturnValue

from service.domain.place.site_advice import TIDES_SOON
from service.operations.admin_roles import AdminRole
from service.operations.sites import SiteListed, list_sites
from service.web.context import web
from service.web.desk.sitting import at_desk, desk

pages = Blueprint("desk_sites", __name__)

KINDS: Mapping[str, tuple[str, str]] = {
    "entry": ("entry", "entries"),
    "exit": ("exit", "exits"),
    "vehicle_access": ("vehicle access", "vehicle accesses"),
    "parking": ("parking place", "parking places"),
    "meeting": ("meeting place", "meeting places"),
    "hazard": ("hazard", "hazards"),
    "signal": ("place with a signal", "places with a signal"),
}


@pages.get("/admin/sites")
@at_desk(AdminRole.VIEWER)
def listing() -> ResponseReturnValue:
    """All sites, those in use first, with what is worth a look at each."""
    service = web().service
    now = service.clock.now()
    found = list_sites(service, desk().admin.club_id, retired=True)
    return render_template(
        "desk/sites.html",
        sites=[(site, point_words(site), tide_words(site, now), grace_words(site)) for site in found],
        may_edit=desk().admin.role.may(AdminRole.OFFICER),
        now=now,
    )


def point_words(site: SiteListed) -> str:
    """How many points of each kind it has."""
    counted = [
        f"{site.points[kind]} {words[site.points[kind] != 1]}" for kind, words in KINDS.items() if kind in site.points
    ]
    return ", ".join(counted) or "no points"


def tide_words(site: SiteListed, now: datetime) -> tuple[str, bool]:
    """Until when its tide table goes, and whether that is soon or over."""
    until_at = site.tides_until_at
    if until_at is None:
        return "no tide table", False
    day = f"{until_at.astimezone(ZoneInfo(site.zone)):%-d %b %Y}"
    if until_at <= now:
        return f"tide table ended {day}", True
    return f"tides until {day}", until_at - now <= TIDES_SOON


def grace_words(site: SiteListed) -> str | None:
    """That it has grace periods of its own."""
    if not site.grace:
        return None
    return f"{len(site.grace)} grace period{'s' if len(site.grace) != 1 else ''} of its own"
