"""Positions as people and devices give them, in any of the forms that docs/positions.md lists.

None means: not shaped like a position. PositionError means: shaped like one, but impossible, half, or to be read in two
ways; its message shows the reading and says what to do.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable

from service.domain.place.angles import read_angles
from service.domain.place.fix import FAR_M
from service.domain.place.geo_uri import read_geo
from service.domain.place.geodesy import distance_m
from service.domain.place.iso6709 import read_iso6709
from service.domain.place.link import without_link
from service.domain.place.national_grid import read_national_grid
from service.domain.place.plus_code import read_plus_code
from service.domain.place.position import PLAIN_SIGNS, Position, Reading
from service.domain.place.utm_mgrs import read_mgrs, read_utm

_LONGEST_TYPED = 120
_LONGEST_LINK = 1000

_READERS: tuple[Callable[[str], Reading | None], ...] = (
    read_iso6709,
    read_national_grid,  # before MGRS, to which BNG would be letters near the south pole
    read_mgrs,
    read_utm,
    read_angles,
)


def read_place(text: str, near: Position | None = None) -> Reading | None:
    """Read a position with how it was understood; None where the text is not one.

    `near` is where a short plus code is looked for; nothing else depends on it. Raises PositionError.
    """
    text = without_link(text[:_LONGEST_LINK].translate(PLAIN_SIGNS))
    typed = unicodedata.normalize("NFKC", text[: _LONGEST_TYPED + 1]).strip()
    if len(typed) > _LONGEST_TYPED:
        return None
    if reading := read_geo(typed):
        return reading
    typed = " ".join(typed.split())
    if reading := read_plus_code(typed, near):
        return reading
    return next((reading for reader in _READERS if (reading := reader(typed))), None)


def read_position(text: str, near: Position | None = None) -> Position | None:
    """Read a position; None where the text is not one. Raises PositionError for an impossible or ambiguous one."""
    reading = read_place(text, near)
    return reading.position if reading else None


def likely_swapped(position: Position, near: Position) -> bool:
    """Whether a position is far from where it should be, and would not be with latitude and longitude swapped."""
    if distance_m(position, near) <= FAR_M or abs(position.lon) > 90:  # noqa: PLR2004 - then it is no latitude
        return False
    return distance_m(Position(position.lon, position.lat), near) <= FAR_M
