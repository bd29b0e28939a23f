"""Texts that say where somebody is."""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.domain.place.angles import DECIMAL_COMMA
from service.domain.place.national_grid import NATIONAL_GRID
from service.domain.place.plus_code import PLUS_CODE, is_short
from service.domain.place.position import PositionError, Reading
from service.domain.place.reading import read_place
from service.domain.place.utm_mgrs import MILITARY_GRID, UTM, UTM_NORTHERNMOST, UTM_SOUTHERNMOST
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
_STRAY = " .,;:!?()<>*_"

# A text carries its position without an accuracy, so a coarser square would say more than is known.
_COARSEST_M = 100.0

# Without `at` before it, only what no sentence, code or phone number can look like.
_PLAIN_GRID = re.compile(r"\d{1,2}[A-Z] ?[A-Z]{2} ?\d[\d ]*", re.IGNORECASE)
_PLAIN_PLUS_CODE = re.compile(r"(?=.*[A-Z])[2-9A-Z]{8}\+[2-9A-Z]{2,}", re.IGNORECASE)
_BEHIND_AT_ONLY = frozenset({DECIMAL_COMMA, NATIONAL_GRID, UTM})


# As map programs shorten a code: the place before it is left out, and the cell is still some 14 m.
_SHORT_CODE = re.compile(r"[0-9A-Z]{4}(?:[0-9A-Z]{2})?\+[0-9A-Z]{2,7}", re.IGNORECASE)


@dataclass(frozen=True, slots=True)
class Place:
    """Where a text says that somebody is: latitude and longitude, or a short code that needs a place near it."""

    position: tuple[float, float] | None = None
    short_code: str | None = None


def place_of(plain: str) -> Place | None:
    """Where this part of a text says that somebody is, with `at` before it or without; None where it does not."""
    if len(plain) > _LONGEST:
        return None
    if position := _position_in(plain, behind_at=False):
        return Place(position)
    behind = _behind_at(plain)
    if behind is None:
        return None
    if position := _position_in(behind, behind_at=True):
        return Place(position)
    code = without_courtesies(behind).upper()
    return Place(short_code=code) if _SHORT_CODE.fullmatch(code) and is_short(code) else None


def read_position_text(text: Typed) -> Intent | None:
    """Read a position with `AT` before it, or alone."""
    place = place_of(text.plain)
    return Intent(kind=Kind.POSITION, position=place.position, short_code=place.short_code) if place else None


def trouble_of(plain: str) -> str | None:
    """What is wrong with what stands behind `at` and is nearly a position; None where it is nothing of the kind."""
    behind = _behind_at(plain) if len(plain) <= _LONGEST else None
    if behind is None and plain.lower().startswith("geo:"):
        behind = plain
    if behind is None:
        return None
    try:
        reading = read_place(without_courtesies(behind))
    except PositionError as error:
        return str(error)
    if reading is None or (reading.accuracy_m or 0) <= _COARSEST_M:
        return None
    return (
        f"{reading.format} so short may be {reading.accuracy_m:.0f} m off: give more figures, or latitude and longitude"
    )


def _behind_at(plain: str) -> str | None:
    at = _AT.match(start := without_courtesies(plain))
    return start[at.end() :] if at else None


def _position_in(plain: str, *, behind_at: bool) -> tuple[float, float] | None:
    """Read words that may be a position, as they are and then without courtesies: the square TA is a `ta` too."""
    for words in (plain.strip(_STRAY), without_courtesies(plain)):
        try:
            reading = read_place(words)
        except PositionError:
            continue
        if reading and _is_meant(reading, words, behind_at=behind_at):
            return round(reading.position.lat, _PLACES), round(reading.position.lon, _PLACES)
    return None


def _is_meant(reading: Reading, words: str, *, behind_at: bool) -> bool:
    """Say whether this can only be a position, and one fine enough to search at."""
    if reading.format in (MILITARY_GRID, NATIONAL_GRID, PLUS_CODE) and (reading.accuracy_m or 0) > _COARSEST_M:
        return False
    if reading.format == MILITARY_GRID and not UTM_SOUTHERNMOST <= reading.position.lat <= UTM_NORTHERNMOST:
        # Near the poles a reference begins with three letters, like a word: `at bay 123456`.
        return False
    if behind_at:
        return True
    if reading.format == MILITARY_GRID:
        return _PLAIN_GRID.fullmatch(words) is not None
    if reading.format == PLUS_CODE:
        return _PLAIN_PLUS_CODE.fullmatch(words) is not None
    return reading.format not in _BEHIND_AT_ONLY
