"""From places on the ellipsoid to places on the paper, and back."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from service.domain.place.geodesy import from_local_metres, local_metres
from service.domain.place.position import Position
from service.domain.place.sketch.shapes import PAPER_WIDTH, Box, Dot

FRAME_LEFT, FRAME_TOP, FRAME_RIGHT = 17.0, 4.0, PAPER_WIDTH - 3
LOWEST_FRAME, HIGHEST_FRAME = 230.0, 350.0

SMALLEST_VIEW_M = 60.0
"""A single point, or two of the same, is drawn with so much around it."""

_ROOM_BESIDE, _ROOM_ABOVE = 34.0, 28.0  # for marks and labels of what lies at the rim


@dataclass(frozen=True, slots=True)
class View:
    """What part of the sea the frame shows: `scale` in units of the paper a metre, the frame's middle in metres.

    North is up at the origin. The projection is local_metres: true from the origin, good within a few kilometres.
    """

    origin: Position
    frame: Box
    scale: float
    east_m: float
    north_m: float

    def dot(self, position: Position) -> Dot:
        """Where a position lies on the paper."""
        return self.dot_of_metres(*local_metres(self.origin, position))

    def dot_of_metres(self, east_m: float, north_m: float) -> Dot:
        """Where so many metres from the origin lie on the paper."""
        return Dot(
            (self.frame.left + self.frame.right) / 2 + (east_m - self.east_m) * self.scale,
            (self.frame.top + self.frame.bottom) / 2 - (north_m - self.north_m) * self.scale,
        )

    def position(self, dot: Dot) -> Position:
        """Which position lies at a place on the paper."""
        return from_local_metres(
            self.origin,
            self.east_m + (dot.x - (self.frame.left + self.frame.right) / 2) / self.scale,
            self.north_m - (dot.y - (self.frame.top + self.frame.bottom) / 2) / self.scale,
        )


def fit(origin: Position, positions: Sequence[Position], circles: Iterable[tuple[Position, float]] = ()) -> View:
    """The largest view that holds all positions and circles (centre, radius in metres); one position at the least."""
    places = [local_metres(origin, position) for position in positions]
    for centre, radius_m in circles:
        east_m, north_m = local_metres(origin, centre)
        places += [(east_m - radius_m, north_m - radius_m), (east_m + radius_m, north_m + radius_m)]
    west_m, east_m = min(east for east, _ in places), max(east for east, _ in places)
    south_m, north_m = min(north for _, north in places), max(north for _, north in places)
    wide_m, high_m = max(east_m - west_m, SMALLEST_VIEW_M), max(north_m - south_m, SMALLEST_VIEW_M)
    width, height = FRAME_RIGHT - FRAME_LEFT - 2 * _ROOM_BESIDE, HIGHEST_FRAME - 2 * _ROOM_ABOVE
    scale = min(width / wide_m, height / high_m)
    needed = max(LOWEST_FRAME, high_m * scale + 2 * _ROOM_ABOVE)
    frame = Box(FRAME_LEFT, FRAME_TOP, FRAME_RIGHT, FRAME_TOP + needed)
    return View(origin, frame, scale, (west_m + east_m) / 2, (south_m + north_m) / 2)
