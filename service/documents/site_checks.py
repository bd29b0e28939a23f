"""What the points of one site must have in common: names of their own, and one neighbourhood."""

from __future__ import annotations

from collections.abc import Sequence
from statistics import median_low

from service.documents.site_reading import Findings
from service.domain.place.geodesy import distance_m
from service.domain.place.position import Position, lettered
from service.domain.place.reading import likely_swapped
from service.domain.place.site import SitePoint

REACH_M = 50_000
"""Farther apart than this, positions are not of one site. Ours; no published source."""


def check_names(points: Sequence[tuple[str, SitePoint]], findings: Findings) -> None:
    """Two points of one kind with one name cannot be told apart in an alarm."""
    first: dict[tuple[str, str], str] = {}
    for where, point in points:
        key = (point.kind, point.name.casefold())
        if key in first:
            findings.fault(
                where, f"There is a {point.kind} of that name already: {first[key]}. Name one differently.", "name"
            )
        first.setdefault(key, where)


def check_places(placed: Sequence[tuple[str, Position]], order: str, findings: Findings) -> None:
    """Every position lies with most of the others, else one fault for each feature with one that does not.

    `order` says in which order the format writes the two numbers.
    """
    if not placed:
        return
    told: set[str] = set()
    middle = Position(median_low([one.lat for _, one in placed]), median_low([one.lon for _, one in placed]))
    for where, position in placed:
        words = _misplaced(position, middle, order)
        if words is not None and where not in told:
            told.add(where)
            findings.fault(where, words, "position")


def _misplaced(position: Position, middle: Position, order: str) -> str | None:
    away_m = distance_m(middle, position)
    if likely_swapped(position, middle):
        turned = lettered(Position(position.lon, position.lat))
        return (
            f"It reads {lettered(position)}, {away_m / 1000:.0f} km from the rest; the other way round it would be"
            f" {turned}, which is near. {order} Swap the two."
        )
    if away_m > REACH_M:
        return f"It reads {lettered(position)}, {away_m / 1000:.0f} km from the rest of the site. Correct it."
    return None
