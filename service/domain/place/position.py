"""A position on WGS84, what a reading of one is, and the form our texts write it in."""

from __future__ import annotations

import math
from dataclasses import dataclass

PLAIN_SIGNS = str.maketrans(
    {
        **dict.fromkeys("\u00ba\u02da", "°"),  # ordinal sign and ring, which keyboards offer for the degree sign
        **dict.fromkeys("\u2018\u2019\u201a\u201b\u2032\u00b4`", "'"),  # curly quotes, prime and accents
        **dict.fromkeys("\u201c\u201d\u201e\u201f\u2033\u00ab\u00bb", '"'),  # curly quotes and double prime
        **dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2015\u2212", "-"),  # every dash and the minus sign
        "\u2044": "/",  # what NFKC makes of a typed fraction
    }
)
"""Typographic signs to the plain ones that are meant; for use before NFKC, which takes primes apart."""

EXACT_M = 100.0
"""A position at least so exact needs no word about it: one looks there."""


class PositionError(ValueError):
    """What was given is shaped like a position and cannot be one; the message says why."""


@dataclass(frozen=True, slots=True)
class Position:
    """A point on WGS84, in degrees north and east. Raises PositionError for an impossible one."""

    lat: float
    lon: float

    def __post_init__(self) -> None:
        """Refuse what is no place on Earth."""
        if -90 <= self.lat <= 90 and -180 <= self.lon <= 180:  # noqa: PLR2004 - which no NaN is, either
            return
        if not (math.isfinite(self.lat) and math.isfinite(self.lon)):
            message = "a position needs two ordinary numbers"
            raise PositionError(message)
        if not -90 <= self.lat <= 90:  # noqa: PLR2004
            message = f"latitude {self.lat:g} is impossible: it goes from 90 south to 90 north"
            raise PositionError(message)
        message = f"longitude {self.lon:g} is impossible: it goes from 180 west to 180 east"
        raise PositionError(message)


@dataclass(frozen=True, slots=True)
class Reading:
    """How a typed position was understood."""

    position: Position
    """The place itself; of a square, its middle."""
    accuracy_m: float | None
    """Metres within which the place lies: of a square, from its middle to its farthest corner; None where unsaid."""
    format: str
    """The name of the form it was written in, such as "decimal degrees" or "MGRS"."""
    reading: str
    """For a person to compare: "47.12345 N, 20.54321 W (decimal degrees)"."""


def understood(position: Position, form: str, named: str | None = None, accuracy_m: float | None = None) -> Reading:
    """Make a reading; `named` says in words what was read, where the name of the form alone does not."""
    return Reading(position, accuracy_m, form, f"{lettered(position)} ({named or form})")


def decimal(position: Position) -> str:
    """Write decimal degrees with five places (about a metre), as our texts do: 56.12345,-5.54321."""
    # Adding 0.0 turns a rounded -0.0 into 0.0, which would read as "south of the equator".
    return f"{round(position.lat, 5) + 0.0:.5f},{round(position.lon, 5) + 0.0:.5f}"


def lettered(position: Position) -> str:
    """Write decimal degrees with hemisphere letters: 56.12345 N, 5.54321 W."""
    lat, lon = round(position.lat, 5), round(position.lon, 5)
    return f"{abs(lat):.5f} {'S' if lat < 0 else 'N'}, {abs(lon):.5f} {'W' if lon < 0 else 'E'}"
