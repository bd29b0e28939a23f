"""Which exits a party can make for, from where they were last: how far, which way, how long a swim, open or not.

The order is common practice, no source: an easier exit is worth a longer swim. Swim times are planning figures for
divers at the surface in full kit, not a promise; swell, surge, cold and a tired diver make them longer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from service.domain.place.conditions import KNOT_M_S, Current
from service.domain.place.geodesy import bearing_deg, distance_m
from service.domain.place.position import Position
from service.domain.place.site import EASIEST, HARDEST, SitePlan, SitePoint
from service.domain.place.tide import TidalExtreme, TideWindow, is_open

SWIM_KN = 0.5
"""A surface swim in full kit, about 15 m a minute: a planning figure, common practice, no source."""

SLOWEST_KN = 0.05
"""What is left of a swim against a current, below which one does not get there. Ours; no published source."""

EASE_WORTH_M = 100.0
"""An exit a step easier is worth so many metres more to swim. Common practice that it is; the figure is ours."""

_EASE_UNKNOWN = (EASIEST + HARDEST) / 2

_ADVISED = 2


@dataclass(frozen=True, slots=True)
class ExitChoice:
    """An exit as seen from where a party is. What is not known is None.

    `number` is that on the sketch: the exits of a site counted from 1 as the club lists them. `bearing_deg` is true,
    along the shortest way; `distance_m` ignores headlands. `swim` is None too where `current_too_strong`. Without a
    current it is that in still water. `chosen`: the plan names this exit.
    """

    point: SitePoint
    number: int
    distance_m: float | None
    bearing_deg: float | None
    swim: timedelta | None
    open_at_due_out: bool | None
    chosen: bool
    current_too_strong: bool = False


def exits_for(
    site: SitePlan,
    start: Position | None,
    current: Current | None,
    due_out_at: datetime | None,
    chosen: tuple[str, ...] = (),
) -> tuple[ExitChoice, ...]:
    """The exits of a site, the one to make for first.

    First those that can be reached, then those whose place is not known, those that the current keeps one from, and
    those closed by the tide. Among equals a step of ease is worth EASE_WORTH_M of swimming in still water; an unknown
    ease counts as the middle one. An exit without a tide window is open always.
    """
    names = {name.strip().casefold() for name in chosen}
    choices = [
        _choice(point, number, start, current, _open(point.window, site.tides, due_out_at), names)
        for number, point in enumerate(site.exits, start=1)
    ]
    return tuple(sorted(choices, key=lambda choice: (_rank(choice), _cost_m(choice), choice.number)))


def exit_advice(choices: Sequence[ExitChoice]) -> tuple[str, ...]:
    """What is worth saying about the exits of a plan, in sentences; empty for two or more that are open.

    Nothing is said of a site without exits: that a plan names two is another check.
    """
    if not choices:
        return ()
    closed = [choice for choice in choices if choice.open_at_due_out is False]
    usable = [choice for choice in choices if choice not in closed and not choice.current_too_strong]
    unknown = [choice for choice in usable if choice.open_at_due_out is None]
    found = [_few(choices, usable)]
    found += (
        [f"Closed at due out by the high and low waters given: {_names(closed)}. Wind moves the tide."]
        if closed
        else []
    )
    found += [f"Not known whether open at due out, for want of time in or tides: {_names(unknown)}."] if unknown else []
    strong = [choice for choice in choices if choice.current_too_strong]
    found += [f"The current given is too strong to swim there: {_names(strong)}."] if strong else []
    return tuple(words for words in found if words)


def made_good_kn(current: Current | None, bearing_deg: float) -> float | None:
    """Knots towards a bearing that a surface swim makes good in a current; None where one does not get there.

    The swimmer holds the line: what sets across it is swum against, so that only the rest of the swim goes forward
    (the triangle of velocities).
    """
    if current is None:
        return SWIM_KN
    angle = math.radians(current.set_deg - bearing_deg)
    along, across = current.drift_kn * math.cos(angle), current.drift_kn * math.sin(angle)
    if abs(across) >= SWIM_KN:
        return None
    forward = along + math.sqrt(SWIM_KN**2 - across**2)
    return forward if forward >= SLOWEST_KN else None


def _choice(
    point: SitePoint,
    number: int,
    start: Position | None,
    current: Current | None,
    open_at_due_out: bool | None,  # noqa: FBT001 - a fact of three values, not a switch
    names: set[str],
) -> ExitChoice:
    chosen = point.name.strip().casefold() in names
    if start is None or point.position is None:
        return ExitChoice(point, number, None, None, None, open_at_due_out, chosen)
    metres, bearing = distance_m(start, point.position), bearing_deg(start, point.position)
    swim = _swim(metres, made_good_kn(current, bearing))
    return ExitChoice(point, number, metres, bearing, swim, open_at_due_out, chosen, current_too_strong=swim is None)


def _swim(metres: float, knots: float | None) -> timedelta | None:
    if metres < 1:  # already there, whatever the current does and wherever the bearing points
        return timedelta()
    return None if knots is None else timedelta(seconds=metres / (knots * KNOT_M_S))


def _open(window: TideWindow | None, tides: tuple[TidalExtreme, ...], due_out_at: datetime | None) -> bool | None:
    if window is None or window == TideWindow():
        return True
    return None if due_out_at is None else is_open(window, tides, due_out_at)


def _rank(choice: ExitChoice) -> int:
    if choice.open_at_due_out is False:
        return 3
    if choice.current_too_strong:
        return 2
    return 1 if choice.swim is None else 0


def _cost_m(choice: ExitChoice) -> float:
    """Metres of swimming in still water, less what the ease is worth."""
    ease = _EASE_UNKNOWN if choice.point.ease is None else choice.point.ease
    swum_m = 0.0 if choice.swim is None else choice.swim.total_seconds() * SWIM_KN * KNOT_M_S
    return swum_m - ease * EASE_WORTH_M


def _few(choices: Sequence[ExitChoice], usable: Sequence[ExitChoice]) -> str | None:
    if len(usable) >= _ADVISED:
        return None
    if not usable:
        return "No exit of this site can be used at due out. Choose another time or another site."
    if len(choices) == 1:
        return f"This site has one exit, {_names(usable)}. One exit is not a plan: know another way out."
    return f"Only {_names(usable)} can be used at due out. One exit is not a plan: choose another time or site."


def _names(choices: Sequence[ExitChoice]) -> str:
    return " and ".join(choice.point.name for choice in choices)
