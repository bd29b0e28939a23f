"""Texts that say where somebody is."""

from __future__ import annotations

import re

from service.domain.place.position import PositionError, read_position
from service.domain.texts.intent import Intent, Kind
from service.domain.texts.typed import Typed, without_courtesies

_LONGEST = 200
_PLACES = 6
_AT = re.compile(
    r"^\W*(?:(?:we are|we're|were|i am|i'm|im|my|our|the) )?"
    r"(?:at|pos|position|loc|location|gps|here|last fix|fix)\b"
    r"(?: (?:is|at))?[\s:=]*",
    re.IGNORECASE,
)


def position_of(plain: str) -> tuple[float, float] | None:
    """Return latitude and longitude where this part of a text is a position; None if not, or impossible."""
    if len(plain) > _LONGEST:
        return None
    try:
        position = read_position(without_courtesies(plain))
    except PositionError:
        return None
    return (round(position.lat, _PLACES), round(position.lon, _PLACES)) if position else None


def read_position_text(text: Typed) -> Intent | None:
    """Read a position with `AT` before it, or alone."""
    position = position_of(text.plain) or position_of(_AT.sub("", without_courtesies(text.plain), count=1))
    return Intent(kind=Kind.POSITION, position=position) if position else None
