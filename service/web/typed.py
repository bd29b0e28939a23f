"""What was typed beside a button, read. What cannot be used is said beside its field, and nothing changed."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from datetime import UTC, datetime
from typing import TypeVar

from flask import request

from service.domain import codes
from service.domain.local_time import LocalTimeError, last_instant
from service.domain.place.conditions import ConditionsError, Current, Wind
from service.domain.place.directions import read_direction
from service.domain.place.fix import CLOCKS_DIFFER
from service.domain.place.position import EXACT_M, Position, PositionError, Reading
from service.domain.place.reading import read_place
from service.domain.place.search_area import metres_and_miles

Flow = TypeVar("Flow", Current, Wind)

NOTHING_CHANGED = "Nothing changed."
_REFERENCE_LONGEST = 40

_COUNT = re.compile(r"[1-9]?[0-9]")
_MINUTES = re.compile(r"[1-9][0-9]{0,2}")
_KNOTS = re.compile(r"(?P<number>\d{1,3}(?:[.,]\d{1,2})?)\s*(?:kn|kts?|knots?)?", re.IGNORECASE)
_CLOCK = re.compile(r"(?P<hours>\d{1,2})[:.h ]?(?P<minutes>\d{2})(?::\d{2})?")


class UnusableError(ValueError):
    """What was typed cannot be used; the message says what to type, `field` is the name of the input."""

    def __init__(self, words: str, field: str = "") -> None:
        super().__init__(words)
        self.field = field


def words_typed(name: str, longest: int) -> str:
    """What somebody wrote, on one line, cut to a length."""
    return " ".join(request.form.get(name, "").split())[:longest]


def _typed(name: str) -> str:
    return request.form.get(name, "").strip()


def reference_typed() -> str | None:
    """The two characters out of the text, also where the whole answer was copied with them: `OK 7K`, `SAFE 2 7K`."""
    typed = request.form.get("reference", "")[:_REFERENCE_LONGEST]
    words = typed.split()
    return codes.read_reference(typed) or (codes.read_reference(words[-1]) if words else None)


def version_seen() -> int:
    """The version of the dive that the page of a form showed; 0, older than every dive, where none of ours is given."""
    given = request.form.get("version", "")
    return int(given) if given.isascii() and given.isdecimal() and len(given) < 10 else 0  # noqa: PLR2004 - nine digits


def count_typed(name: str) -> int:
    """A head count. Raises UnusableError."""
    typed = _typed(name)
    if not (typed.isascii() and _COUNT.fullmatch(typed)):
        raise UnusableError(f"Count heads and give the number in digits. {NOTHING_CHANGED}", name)
    return int(typed)


def minutes_typed(name: str) -> int:
    """A number of minutes. Raises UnusableError."""
    typed = _typed(name)
    if not (typed.isascii() and _MINUTES.fullmatch(typed)):
        raise UnusableError(f"How many minutes later? Give a number such as 20. {NOTHING_CHANGED}", name)
    return int(typed)


def position_read(typed: str, near: Position | None) -> Reading:
    """A position in any form, with how it was understood. Raises ValueError in words that stand beside a field."""
    try:
        reading = read_place(typed, near)
    except PositionError as error:
        reason = str(error)
        # Not str.capitalize, which would make small letters of N, S, E and W.
        raise ValueError(f"{reason[:1].upper()}{reason[1:].rstrip('.')}.") from None
    if reading is None:
        raise ValueError("Give a position such as 47.12345, -20.54321 or 47 07.407 N 020 32.593 W.")
    return reading


def few_figures(reading: Reading) -> str | None:
    """What to say of a position whose figures, or square, leave much open; None where they do not."""
    off_m = reading.accuracy_m or 0.0
    return f"So few figures may be {metres_and_miles(off_m)} off: give more." if off_m > EXACT_M else None


def position_typed(name: str, near: Position | None) -> Reading:
    """A position in a field. Raises UnusableError."""
    try:
        return position_read(_typed(name), near)
    except ValueError as error:
        raise UnusableError(f"{error} {NOTHING_CHANGED}", name) from None


def position_measured() -> Position:
    """What the browser gave as `lat` and `lon`, in degrees. Raises UnusableError."""
    try:
        return Position(_number("lat"), _number("lon"))
    except ValueError:
        words = "What the phone gave is no position. Send it again, or type the position."
        raise UnusableError(f"{words} {NOTHING_CHANGED}", "position") from None


def accuracy_measured() -> float | None:
    """The accuracy that the browser gave, in metres; None where it gave none. Raises UnusableError."""
    if not _typed("accuracy_m"):
        return None
    try:
        metres = _number("accuracy_m")
    except ValueError:
        metres = math.nan
    if not (math.isfinite(metres) and metres >= 0):
        words = "The accuracy that came with the position is no number of metres. Send it again, or type the position."
        raise UnusableError(f"{words} {NOTHING_CHANGED}", "position")
    return metres


def time_measured() -> datetime | None:
    """When the browser found it, as an ISO 8601 time with its offset; None where it said none. Raises UnusableError."""
    if not _typed("at"):
        return None
    try:
        at = datetime.fromisoformat(_typed("at"))
        return at.astimezone(UTC) if at.tzinfo is not None else _unreadable_time()
    except (ValueError, OverflowError):
        return _unreadable_time()


def _unreadable_time() -> datetime:
    words = "The time that came with the position cannot be read. Send it again, or type the position."
    raise UnusableError(f"{words} {NOTHING_CHANGED}", "position")


def _number(name: str) -> float:
    typed = _typed(name)
    if not typed.isascii():
        raise ValueError(name)
    return float(typed)


def time_of_day_typed(name: str, zone: str, now: datetime) -> datetime | None:
    """The last time that the site's clock showed it; None for an empty field. Raises UnusableError."""
    typed = _typed(name)
    if not typed:
        return None
    found = _CLOCK.fullmatch(typed) if typed.isascii() else None
    if found is None:
        raise UnusableError(f"Give a time of day such as 14:30. {NOTHING_CHANGED}", name)
    try:
        # The minute that somebody's watch shows already must not be taken for that of yesterday.
        return last_instant(f"{found['hours']:0>2}:{found['minutes']}", zone, now + CLOCKS_DIFFER)
    except LocalTimeError as error:
        raise UnusableError(f"{error} {NOTHING_CHANGED}", name) from None


def current_typed() -> Current | None:
    """The current by `current_towards` and `current_kn`; None where neither was given. Raises UnusableError."""
    return _flow(Current, "current", "current_towards", "current_kn")


def wind_typed() -> Wind | None:
    """The wind by `wind_from` and `wind_kn`; None where neither was given. Raises UnusableError."""
    return _flow(Wind, "wind", "wind_from", "wind_kn")


def _flow(make: Callable[[float, float], Flow], name: str, way: str, speed: str) -> Flow | None:
    knots = _knots(speed)
    if knots == 0 and not _typed(way):
        return make(0, 0)  # what stands still goes nowhere
    direction = _direction(way, needed=knots is not None)
    if direction is None:
        return None
    try:
        make(direction, 0)
    except ConditionsError as error:
        raise _unusable(error, way) from None
    if knots is None:
        raise _unusable(f"Give the speed of the {name} in knots too, or empty both", speed)
    try:
        return make(direction, knots)
    except ConditionsError as error:
        raise _unusable(error, speed) from None


def _direction(name: str, *, needed: bool) -> float | None:
    typed = _typed(name)
    if not typed and not needed:
        return None
    direction = read_direction(typed)
    if direction is None:
        raise _unusable("Give a direction such as NE, north-east or 045", name)
    return direction


def _knots(name: str) -> float | None:
    typed = _typed(name)
    if not typed:
        return None
    found = _KNOTS.fullmatch(typed) if typed.isascii() else None
    if found is None:
        raise _unusable("Give a speed in knots, such as 1.5", name)
    return float(found["number"].replace(",", "."))


def _unusable(reason: object, field: str) -> UnusableError:
    words = str(reason)
    return UnusableError(f"{words[:1].upper()}{words[1:]}. {NOTHING_CHANGED}", field)
