"""From a site, its fixes and its search pictures to a sketch."""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Sequence
from itertools import pairwise

from service.domain.local_time import say
from service.domain.place.exits import ExitChoice
from service.domain.place.fix import Fix
from service.domain.place.search_area import Picture
from service.domain.place.site import SitePlan
from service.domain.place.sketch.edges import BELOW_FRAME, border, north_arrow, north_box, scale_bar
from service.domain.place.sketch.key import key
from service.domain.place.sketch.labels import Labels, Words
from service.domain.place.sketch.marks import EXITS, apart, located, spots
from service.domain.place.sketch.paper import View, fit
from service.domain.place.sketch.shapes import (
    MARK_RADIUS,
    PAPER_WIDTH,
    Box,
    Disc,
    Dot,
    Line,
    Mark,
    MarkKind,
    Shape,
    Sketch,
    Style,
    Text,
)
from service.domain.place.sketch.telling import tell

_ARROW = 7.0
_SHORTEST_WITH_ARROW = 30.0
_SAMPLES = 12  # dots along one straight piece of a line
_AROUND = 48  # dots along a circle
_ALONE = 20.0  # so far from other rings, words on a ring cannot be taken for theirs


def draw(
    site: SitePlan,
    last: Fix | None = None,
    fixes: Sequence[Fix] = (),
    pictures: Sequence[Picture] = (),
    choices: Sequence[ExitChoice] = (),
) -> Sketch | None:
    """The sketch of a site; None where no position at all is known.

    It holds all points of the site, the last known position and the first of the pictures, at the largest scale that
    does. `fixes` are all that the dive has: those without a doubt are marked. `pictures` and `choices` are those of
    search_pictures and exits_for; without them drift, and what is closed, are left out. The site's zone must be known.
    """
    view = _view(site, last, pictures)
    if view is None:
        return None
    lines = tuple(_lines(view, site, last, fixes, pictures))
    marked = spots(view, site, last, pictures, choices)
    labels = Labels(view.frame, [north_box(view.frame), *(spot.box for spot in marked)], tuple(_along(lines)))
    for spot in marked:
        labels.place(spot.box, spot.label)
    _label_rings(labels, view, site, pictures)
    kinds = {kind for spot in marked for kind in spot.kinds}
    kinds |= {shape.kind for shape in lines if isinstance(shape, Mark)}
    styles = {shape.style for shape in lines if isinstance(shape, Line | Disc)}
    explained, bottom = key(kinds, styles, view.frame.left, view.frame.bottom + BELOW_FRAME)
    inside = (*lines, *labels.placed, *(spot.mark for spot in marked), *north_arrow(view.frame))
    around = (*border(view), *scale_bar(view), *_measured(view, kinds), *explained)
    alternative = tell(site, last, pictures, choices)
    return Sketch(PAPER_WIDTH, math.ceil(bottom) + 2.0, view.frame, inside, around, alternative)


def _view(site: SitePlan, last: Fix | None, pictures: Sequence[Picture]) -> View | None:
    shown = [position for _, position, _ in located(site)]
    shown += [] if site.entry is None else [site.entry]
    shown += [] if last is None else [last.position]
    shown += [picture.datum for picture in pictures[:1]]
    if not shown:
        return None
    origin = site.entry or shown[0]
    return fit(origin, shown, [(picture.datum, picture.radius_m) for picture in pictures[:1]])


def _lines(
    view: View, site: SitePlan, last: Fix | None, fixes: Sequence[Fix], pictures: Sequence[Picture]
) -> Iterator[Shape]:
    """Shore, rings, drift and the other fixes: what lies under the marks."""
    shore = tuple(view.dot(position) for position in site.shoreline)
    if any(apart(shore[0], dot) > 2 * MARK_RADIUS for dot in shore):  # a shorter one would hide under the marks
        yield Line(shore, Style.SHORE)
    for later, picture in enumerate(pictures):
        style = Style.RADIUS_LATER if later else Style.RADIUS_NOW
        ring = Disc(view.dot(picture.datum), picture.radius_m * view.scale, style)
        if _is_seen(ring, view.frame):
            yield ring
    if last is not None and last.accuracy_m is not None and last.accuracy_m * view.scale > MARK_RADIUS:
        yield Disc(view.dot(last.position), last.accuracy_m * view.scale, Style.ACCURACY)
    if pictures and pictures[-1].drift_m * view.scale >= MARK_RADIUS:
        track = tuple(dict.fromkeys(view.dot(position) for position in pictures[-1].track))
        yield Line(track, Style.TRACK)
        yield from _arrowheads(track)
    for fix in fixes:
        dot = view.dot(fix.position)
        if fix.doubt is None and (last is None or apart(dot, view.dot(last.position)) > MARK_RADIUS):
            yield Mark(MarkKind.FIX, dot)


def _is_seen(ring: Disc, frame: Box) -> bool:
    """Whether any of a ring's line may lie inside the frame: neither all of it outside, nor the frame inside it."""
    x, y = ring.centre.x, ring.centre.y
    nearest = math.hypot(max(frame.left - x, 0, x - frame.right), max(frame.top - y, 0, y - frame.bottom))
    farthest = math.hypot(max(x - frame.left, frame.right - x), max(y - frame.top, frame.bottom - y))
    return nearest < ring.radius < farthest


def _arrowheads(track: Sequence[Dot]) -> Iterator[Line]:
    """One in the middle of the first leg that is long enough."""
    for start, end in pairwise(track):
        length = apart(start, end)
        if length >= _SHORTEST_WITH_ARROW:
            x, y = (start.x + end.x) / 2, (start.y + end.y) / 2
            along, across = (end.x - start.x) / length, (end.y - start.y) / length
            left = Dot(x - _ARROW * (along + across * 0.6), y - _ARROW * (across - along * 0.6))
            right = Dot(x - _ARROW * (along - across * 0.6), y - _ARROW * (across + along * 0.6))
            yield Line((left, Dot(x, y), right), Style.SCALE)
            return


def _along(lines: Sequence[Shape]) -> Iterator[Dot]:
    """Dots along what labels had better not hide: shore, drift, and the search circle of now."""
    for shape in lines:
        if isinstance(shape, Line) and shape.style in (Style.SHORE, Style.TRACK):
            for start, end in pairwise(shape.points):
                yield from _between(start, end)
        elif isinstance(shape, Disc) and shape.style is Style.RADIUS_NOW:
            yield from _on_circle(shape)


def _between(start: Dot, end: Dot) -> Iterator[Dot]:
    for step in range(_SAMPLES + 1):
        part = step / _SAMPLES
        yield Dot(start.x + (end.x - start.x) * part, start.y + (end.y - start.y) * part)


def _on_circle(disc: Disc) -> Iterator[Dot]:
    """From its top, to one side and the other in turn, so that the best place for words comes first."""
    for step in range(_AROUND):
        angle = (step // 2 + step % 2) * (1 if step % 2 else -1) * 2 * math.pi / _AROUND
        yield Dot(disc.centre.x + disc.radius * math.sin(angle), disc.centre.y - disc.radius * math.cos(angle))


def _label_rings(labels: Labels, view: View, site: SitePlan, pictures: Sequence[Picture]) -> None:
    """The time of each search ring, on it, where it is farthest from the others."""
    rings = [Disc(view.dot(one.datum), one.radius_m * view.scale, Style.RADIUS_LATER) for one in pictures]
    for ring, picture in zip(rings, pictures, strict=True):
        clock = say(picture.at, site.zone, pictures[0].at)
        words = clock if ring is not rings[0] else f"now {clock}"
        others = [other for other in rings if other is not ring]
        alone = sorted(_on_circle(ring), key=lambda dot: -min([_ALONE, *(_off(dot, other) for other in others)]))
        labels.place_at(alone, Words(words))


def _off(dot: Dot, ring: Disc) -> float:
    """How far a dot is from the line of a ring."""
    return abs(apart(dot, ring.centre) - ring.radius)


def _measured(view: View, kinds: Collection[MarkKind]) -> tuple[Shape, ...]:
    """From where the distances at the exits count."""
    if EXITS.isdisjoint(kinds):
        return ()
    return (Text(Dot(view.frame.right, view.frame.bottom + 32), "distances: from entry", "end"),)
