"""Where to look first, in each form that somebody may ask for, and how that is known."""

from __future__ import annotations

import math
from datetime import datetime

from service.domain.dive.state import Dive
from service.domain.handover.pack import PositionForm, Whereabouts
from service.domain.handover.speaking import ago, at
from service.domain.place.fix import Fix, Source
from service.domain.place.position import Position, decimal
from service.domain.place.spelling import spell_position
from service.domain.place.writing import degrees_minutes, geo_uri, national_grid, plus_code

_HOW = {
    Source.ENTRY: "where the plan has them go in; no position was reported since",
    Source.TEXT: "by text from {}",
    Source.BROWSER: "from the phone of {}, sent on its page",
    Source.TYPED: "typed on the page of {}",
    Source.CONTACT: "as seen from the shore by {}",
    Source.SCRIPT: "from a device or program, {}",
}


def whereabouts(dive: Dive, now: datetime) -> Whereabouts:
    """The last known position; before a start, or without any fix, what the site has."""
    site, fix = dive.plan.site, dive.last_position
    if fix is not None:
        return _of_fix(dive, fix, now)
    if site.entry is not None:
        how = "the site's own position; nobody is known to have gone in there"
        return Whereabouts(
            site.entry, how, _site(dive), forms(site.entry), spell_position(site.entry), access=site.access
        )
    return Whereabouts(None, "no position is known, only the name of the site", _site(dive), access=site.access)


def _of_fix(dive: Dive, fix: Fix, now: datetime) -> Whereabouts:
    return Whereabouts(
        position=fix.position,
        how=_how(dive, fix, now),
        site=_site(dive),
        forms=forms(fix.position, fix.accuracy_m),
        spelled=spell_position(fix.position),
        at=fix.at,
        accuracy_m=fix.accuracy_m,
        source=fix.source,
        access=dive.plan.site.access,
    )


def _how(dive: Dive, fix: Fix, now: datetime) -> str:
    known = f"{_HOW[fix.source].format(fix.by)}, {at(dive, fix.at, now)} ({ago(fix.at, now)})"
    if fix.source is Source.ENTRY:
        return known
    return f"{known}, {'accuracy not said' if fix.accuracy_m is None else f'good to {math.ceil(fix.accuracy_m)} m'}"


def forms(position: Position, accuracy_m: float | None = None) -> tuple[PositionForm, ...]:
    """Decimal degrees, degrees and decimal minutes, the national grid where it is real, else a plus code, and geo:."""
    grid = national_grid(position)
    local = PositionForm("National Grid", grid) if grid else PositionForm("Plus code", plus_code(position))
    return (
        PositionForm("Decimal degrees", decimal(position)),
        PositionForm("Degrees and minutes", degrees_minutes(position)),
        local,
        PositionForm("Link for maps", geo_uri(position, accuracy_m)),
    )


def _site(dive: Dive) -> str:
    site = dive.plan.site
    return f"{site.name} ({site.code})" if site.code else site.name
