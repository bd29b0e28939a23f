"""A place to dive and its points, as a dive takes them along, so that a later edit of the site changes no live dive."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from service.domain.place.conditions import Current
from service.domain.place.position import Position
from service.domain.place.tide import TidalExtreme, TideWindow

EASIEST = 5
HARDEST = 1


class PointKind(StrEnum):
    """What a point of a site is for."""

    ENTRY = "entry"
    EXIT = "exit"
    VEHICLE_ACCESS = "vehicle_access"
    PARKING = "parking"
    MEETING = "meeting"
    HAZARD = "hazard"
    SIGNAL = "signal"  # the nearest fixed phone, or where a mobile has signal


@dataclass(frozen=True, slots=True)
class SitePoint:
    """A point of a site. `ease` goes from 1, hard, to 5, easy; `vehicles`: an emergency vehicle reaches it."""

    kind: PointKind
    name: str
    position: Position | None = None
    ease: int | None = None
    notes: str | None = None
    window: TideWindow | None = None
    vehicles: bool = False


@dataclass(frozen=True, slots=True)
class SitePlan:
    """What a dive must know of its site. `current` is what the site's notes say of the usual one.

    `shoreline` is a line to sketch the shore by; `tides` are the high and low waters around the dive, in their order.
    """

    name: str
    zone: str
    rescue_call: str
    code: str | None = None
    position: Position | None = None
    access: str | None = None
    non_emergency_call: str | None = None
    points: tuple[SitePoint, ...] = ()
    shoreline: tuple[Position, ...] = ()
    current: Current | None = None
    tides: tuple[TidalExtreme, ...] = ()

    def of_kind(self, kind: PointKind) -> tuple[SitePoint, ...]:
        """The points of one kind, in the order in which the club gave them."""
        return tuple(point for point in self.points if point.kind is kind)

    @property
    def exits(self) -> tuple[SitePoint, ...]:
        """Where the water can be left, the best first as the club sees it."""
        return self.of_kind(PointKind.EXIT)

    @property
    def entry(self) -> Position | None:
        """Where parties go in: the first entry with a position, else the site's own position."""
        known = (point.position for point in self.of_kind(PointKind.ENTRY) if point.position is not None)
        return next(known, self.position)
