"""What is worth a second look at a site, while nobody dives there. None of it refuses anything.

What a site should have is common practice, no published source; the figures are ours.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Final

from service.domain.place.club_site import ClubSite
from service.domain.place.geodesy import distance_m
from service.domain.place.site import PointKind

TIDES_SOON: Final = timedelta(days=30)
APART_M: Final = 2_000  # a point farther from the site than this is asked about


def site_advice(site: ClubSite) -> tuple[str, ...]:
    """What is missing, and what looks odd, in sentences."""
    kinds = {point.kind for point in site.points}
    wanted = (
        (PointKind.ENTRY, "It has no entry: a search starts at the site's own position."),
        (PointKind.EXIT, "It has no exit: nobody can name one in a plan."),
        (PointKind.VEHICLE_ACCESS, "It has no vehicle access: rescue is not told where an ambulance can come to."),
    )
    found = [words for kind, words in wanted if kind not in kinds]
    unplaced = [point.name for point in site.points if point.position is None]
    if unplaced:
        found.append(f"Without a position, and so in no sketch: {', '.join(unplaced)}.")
    found += [
        f"{point.name} is {away / 1000:.1f} km from the site's position. Check both."
        for point in site.points
        if point.position is not None and (away := distance_m(site.position, point.position)) > APART_M
    ]
    if not site.shoreline:
        found.append("It has no shoreline, so the sketch shows none.")
    return tuple(found)


def tide_advice(site: ClubSite, until_at: datetime | None, now: datetime) -> str | None:
    """Whether its tide table ends soon, or is missing where a point's tide window needs it; None where all is well."""
    windows = [point.name for point in site.points if point.window is not None]
    if until_at is None:
        if not windows:
            return None
        return f"It has no tide table, so nobody can tell when these can be used: {', '.join(windows)}."
    if until_at <= now:
        return "Its tide table has ended. Import the next one."
    if until_at - now <= TIDES_SOON:
        return f"Its tide table ends within {TIDES_SOON.days} days. Import the next one."
    return None
