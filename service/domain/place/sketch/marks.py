"""The marks of a sketch, one for each spot of the paper; what shares a spot stands in the label of the weightiest."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.domain.local_time import say
from service.domain.place.exits import ExitChoice
from service.domain.place.fix import Fix
from service.domain.place.geodesy import distance_m
from service.domain.place.position import Position
from service.domain.place.search_area import Picture
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.place.sketch.edges import said_length
from service.domain.place.sketch.labels import Words
from service.domain.place.sketch.paper import View
from service.domain.place.sketch.shapes import MARK_RADIUS, Box, Dot, Mark, MarkKind

LONGEST_NAME = 22
MOST_LINES = 3

_TOO_NEAR = 2 * MARK_RADIUS - 2
_COLLAPSES_FROM = 3  # points: fewer can still be read

EXITS = frozenset({MarkKind.EXIT, MarkKind.EXIT_CHOSEN, MarkKind.EXIT_CLOSED})

_LETTERS = {
    PointKind.VEHICLE_ACCESS: (MarkKind.VEHICLE_ACCESS, "V"),
    PointKind.PARKING: (MarkKind.PARKING, "P"),
    PointKind.MEETING: (MarkKind.MEETING, "M"),
    PointKind.SIGNAL: (MarkKind.SIGNAL, "T"),
    PointKind.HAZARD: (MarkKind.HAZARD, "!"),
    PointKind.ENTRY: (MarkKind.ENTRY, ""),
}

_WEIGHT = (
    *(MarkKind.LAST, MarkKind.SITE, MarkKind.ENTRY, MarkKind.EXIT_CHOSEN, MarkKind.EXIT, MarkKind.EXIT_CLOSED),
    *(MarkKind.VEHICLE_ACCESS, MarkKind.HAZARD, MarkKind.MEETING, MarkKind.SIGNAL, MarkKind.PARKING),
)
"""Who goes first: as the mark of a spot, and to a place for its words."""


@dataclass(frozen=True, slots=True)
class Spot:
    """A mark at its true place, and the label that goes with it. `kinds` are those of all marks that share the spot."""

    mark: Mark
    label: tuple[Words, ...]
    kinds: frozenset[MarkKind]

    @property
    def box(self) -> Box:
        """What the mark takes of the paper."""
        x, y = self.mark.at.x, self.mark.at.y
        return Box(x - MARK_RADIUS, y - MARK_RADIUS, x + MARK_RADIUS, y + MARK_RADIUS)


@dataclass(frozen=True, slots=True)
class _Item:
    mark: Mark
    line: str


def spots(
    view: View,
    site: SitePlan,
    last: Fix | None,
    pictures: Sequence[Picture],
    choices: Sequence[ExitChoice],
) -> tuple[Spot, ...]:
    """All marks that carry words, the weightiest first."""
    items = _site_items(view, site, choices)
    if _is_speck(items):
        items = [_Item(Mark(MarkKind.SITE, items[0].mark.at), short(site.name))]
    if last is not None:
        at = say(last.at, site.zone, pictures[0].at if pictures else last.at)
        items.append(_Item(Mark(MarkKind.LAST, view.dot(last.position)), f"Last known {at}"))
    items.sort(key=lambda item: _WEIGHT.index(item.mark.kind))
    found = [_spot(cluster) for cluster in _clusters(items)]
    if pictures and pictures[0].drift_m * view.scale >= MARK_RADIUS:
        # It never stands in for another, nor another for it: it is a slender cross at its own place.
        found.append(_spot([_Item(Mark(MarkKind.DATUM, view.dot(pictures[0].datum)), "Datum")]))
    return tuple(found)


def located(site: SitePlan) -> list[tuple[SitePoint, Position, int | None]]:
    """The points of a site whose position is known, each with its number where it is an exit."""
    count = itertools.count(1)
    numbered = [(point, next(count) if point.kind is PointKind.EXIT else None) for point in site.points]
    return [(point, point.position, number) for point, number in numbered if point.position is not None]


def short(name: str) -> str:
    """A name that fits beside a mark."""
    tidy = " ".join(name.split())
    return tidy if len(tidy) <= LONGEST_NAME else tidy[: LONGEST_NAME - 1].rstrip() + "…"


def _site_items(view: View, site: SitePlan, choices: Sequence[ExitChoice]) -> list[_Item]:
    found = []
    by_number = {choice.number: choice for choice in choices}
    for point, position, number in located(site):
        at = view.dot(position)
        if number is None:
            kind, letter = _LETTERS[point.kind]
            found.append(_Item(Mark(kind, at, letter), short(point.name)))
        else:
            choice = by_number.get(number)
            found.append(_Item(Mark(_exit_kind(choice), at, str(number)), _exit_line(site, point, position)))
    if site.position is not None and all(item.mark.kind is not MarkKind.ENTRY for item in found):
        found.insert(0, _Item(Mark(MarkKind.SITE, view.dot(site.position)), short(site.name)))
    return found


def _exit_kind(choice: ExitChoice | None) -> MarkKind:
    if choice is not None and choice.open_at_due_out is False:
        return MarkKind.EXIT_CLOSED
    return MarkKind.EXIT_CHOSEN if choice is not None and choice.chosen else MarkKind.EXIT


def _exit_line(site: SitePlan, point: SitePoint, position: Position) -> str:
    metres = 0.0 if site.entry is None else distance_m(site.entry, position)
    return f"{short(point.name)}{f' {rounded_length(metres)}' if metres >= 1 else ''}"


def rounded_length(metres: float) -> str:
    """A distance to the metre, and to a tenth of a kilometre from one up."""
    return said_length(round(metres)) if metres < 999.5 else said_length(round(metres, -2))  # noqa: PLR2004


def _is_speck(items: Sequence[_Item]) -> bool:
    """Whether all points of a site, three or more, fall on one spot of the paper."""
    if len(items) < _COLLAPSES_FROM:
        return False
    dots = [item.mark.at for item in items]
    return all(apart(dots[0], dot) < _TOO_NEAR for dot in dots)


def _clusters(items: Iterable[_Item]) -> list[list[_Item]]:
    """Items that lie on each other, together; the first of each is the weightiest."""
    found: list[list[_Item]] = []
    for item in items:
        near = (cluster for cluster in found if apart(cluster[0].mark.at, item.mark.at) < _TOO_NEAR)
        cluster = next(near, None)
        if cluster is None:
            found.append([item])
        else:
            cluster.append(item)
    return found


def _spot(cluster: Sequence[_Item]) -> Spot:
    """The weightiest item is the mark; the signs of the others stand in brackets behind their words."""
    signs: dict[str, list[str]] = {cluster[0].line: []}
    for item in cluster[1:]:
        signs.setdefault(item.line, []).append(item.mark.label or item.mark.kind.value)
    bold = cluster[0].mark.kind is MarkKind.LAST
    lines = [
        Words(f"{line} ({', '.join(others)})" if others else line, bold and line == cluster[0].line)
        for line, others in signs.items()
    ]
    if len(lines) > MOST_LINES:
        lines[MOST_LINES - 1 :] = [Words(f"and {len(lines) - MOST_LINES + 1} more")]
    return Spot(cluster[0].mark, tuple(lines), frozenset(item.mark.kind for item in cluster))


def apart(one: Dot, other: Dot) -> float:
    """The distance between two places of the paper, in its units."""
    return math.hypot(one.x - other.x, one.y - other.y)
