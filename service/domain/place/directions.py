"""Directions as people give them: a wind of the compass by letters or by name, or degrees."""

from __future__ import annotations

import re

from service.domain.place.geodesy import COMPASS_POINTS

_STEP_DEG = 360 / len(COMPASS_POINTS)
_LETTERS = {"north": "N", "east": "E", "south": "S", "west": "W"}
_NAMES = re.compile("|".join(_LETTERS))
_BETWEEN = re.compile(r"[\s.-]+")
_DEGREES = re.compile(r"(?P<whole>\d{1,3})(?P<part>[.,]\d{1,3})?\s*(?:°|deg(?:rees?)?)?\s*(?:true|t)?")


def read_direction(typed: str) -> float | None:
    """Degrees true of "NE", "north-east", "045" or "45 degrees"; None for anything else.

    What is shaped like degrees is given as it is, 361 too: whoever uses it refuses what no compass has. Magnetic
    bearings are not read: the variation is not known here.
    """
    small = " ".join(typed.split()).casefold()
    if degrees := _DEGREES.fullmatch(small):
        return float(f"{degrees['whole']}{(degrees['part'] or '').replace(',', '.')}")
    letters = _NAMES.sub(lambda name: _LETTERS[name.group()], _BETWEEN.sub("", small)).upper()
    return COMPASS_POINTS.index(letters) * _STEP_DEG if letters in COMPASS_POINTS else None
