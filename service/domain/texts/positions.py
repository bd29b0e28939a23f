"""Texts that say where somebody is."""

from __future__ import annotations

import re
from dataclasses import dataclass

from service.domain.place.angles import DECIMAL_COMMA
from service.domain.place.geo_uri import GEO
from service.domain.place.link import without_link
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
    r"(?:at|pos|(?:current |shared |live |last )?(?:position|location)|loc|gps|here|last fix|fix)\b"
    r"(?: (?:is|at))?[\s:=]*",
    re.IGNORECASE,
)
_STRAY = " .,;:!?()<>*_"

# A square so named may be a word and a number as well, and is asked about where it is coarser.
_COARSEST_SQUARE_M = 100.0
# Angles of so few figures are rather a slip, or of a place that somebody knows by heart.
_COARSEST_M = 2000.0
_SQUARES = frozenset({MILITARY_GRID, NATIONAL_GRID, PLUS_CODE})

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
    accuracy_m: float | None = None
    short_code: str | None = None


def place_of(plain: str, coarsest_m: float = _COARSEST_M) -> Place | None:
    """Where this part of a text says that somebody is, with `at` before it or without; None where it does not.

    `coarsest_m` is how far angles may be off at the most. A link to a map counts as the position in it.
    """
    plain = without_link(plain)
    if len(plain) > _LONGEST:
        return None
    if place := _position_in(plain, coarsest_m, behind_at=False):
        return place
    behind = _behind_at(plain)
    if behind is None:
        return None
    if place := _position_in(behind, coarsest_m, behind_at=True):
        return place
    code = without_courtesies(behind).upper()
    return Place(short_code=code) if _SHORT_CODE.fullmatch(code) and is_short(code) else None


def read_position_text(text: Typed) -> Intent | None:
    """Read a position with `AT` before it, or alone."""
    place = place_of(text.plain)
    if place is None:
        return None
    position, accuracy_m, short_code = place.position, place.accuracy_m, place.short_code
    return Intent(kind=Kind.POSITION, position=position, accuracy_m=accuracy_m, short_code=short_code)


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
    if reading is None or (reading.accuracy_m or 0) <= _most_m(reading, _COARSEST_M):
        return None
    return (
        f"{reading.format} so short may be {reading.accuracy_m:.0f} m off: give more figures, or latitude and longitude"
    )


def _behind_at(plain: str) -> str | None:
    at = _AT.match(start := without_courtesies(plain))
    return start[at.end() :] if at else None


def _position_in(plain: str, coarsest_m: float, *, behind_at: bool) -> Place | None:
    """Read words that may be a position, as they are and then without courtesies: the square TA is a `ta` too."""
    for words in (plain.strip(_STRAY), without_courtesies(plain)):
        try:
            reading = read_place(words)
        except PositionError:
            continue
        if reading and _is_meant(reading, words, coarsest_m, behind_at=behind_at):
            at = round(reading.position.lat, _PLACES), round(reading.position.lon, _PLACES)
            return Place(at, None if reading.format in _SQUARES else reading.accuracy_m)
    return None


def _most_m(reading: Reading, coarsest_m: float) -> float:
    return _COARSEST_SQUARE_M if reading.format in _SQUARES else coarsest_m


def _is_meant(reading: Reading, words: str, coarsest_m: float, *, behind_at: bool) -> bool:
    """Say whether this can only be a position, and one fine enough to search at."""
    said = reading.format == GEO and ";u=" in words.lower()
    if not said and (reading.accuracy_m or 0) > _most_m(reading, coarsest_m):
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
