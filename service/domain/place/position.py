"""Positions on WGS84 as people and phones write them.

Read are: decimal pairs, degrees with hemisphere letters before or after (decimal degrees, decimal minutes, or
minutes and seconds), and `geo:` addresses (RFC 5870). Anything that is shaped like a position but cannot be
one is refused with a reason.
"""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass

_LONGEST_TYPED = 120

_MOST_SIXTIETHS = 60

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

_SPELLED = (
    (re.compile(r"\bdeg(?:ree)?s?\b|(?<=\d)deg(?:ree)?s?\b", re.IGNORECASE), "°"),
    (re.compile(r"\bmin(?:ute)?s?\b|(?<=\d)min(?:ute)?s?\b", re.IGNORECASE), "'"),
    (re.compile(r"\bsec(?:ond)?s?\b|(?<=\d)sec(?:ond)?s?\b", re.IGNORECASE), '"'),
    (re.compile(r"\b(n)orth\b|\b(s)outh\b|\b(e)ast\b|\b(w)est\b", re.IGNORECASE), r"\1\2\3\4"),
)

_NUMBER = r"\d{1,3}(?:\.\d{1,15})?"
_SMALL = r"\d{1,2}(?:\.\d{1,15})?"
_ANGLE = (
    rf"[+-]? ?{_NUMBER} ?°?"
    rf"(?:(?: ?[-:] ?|(?<=°) ?| +){_SMALL}(?:(?: ?[':] ?| +){_SMALL})?)?"
    r" ?(?:''|['\"])?"
)

_DECIMAL_PAIR = re.compile(r"([+-]?\d{1,3}\.\d{1,15})(?: ?[,;] ?| )([+-]?\d{1,3}\.\d{1,15})")
_DEGREE_PAIR = re.compile(rf"(?=[^°]*°[^°]*°)({_ANGLE})(?: ?[,;] ?| )({_ANGLE})")
_LETTERS_AFTER = re.compile(rf"({_ANGLE}) ?([NSEW])(?: ?[,;] ?| ?)({_ANGLE}) ?([NSEW])", re.IGNORECASE)
_LETTERS_BEFORE = re.compile(rf"([NSEW]) ?({_ANGLE})(?: ?[,;] ?| ?)([NSEW]) ?({_ANGLE})", re.IGNORECASE)

_GEO_NUMBER = r"-?\d{1,15}(?:\.\d{1,15})?"
_GEO = re.compile(
    rf"geo:({_GEO_NUMBER}),({_GEO_NUMBER})(?:,{_GEO_NUMBER})?((?:;[a-z0-9-]+(?:=[^;= ,]+)?)*)", re.IGNORECASE
)


class PositionError(ValueError):
    """What was given is shaped like a position and cannot be one; the message says why."""


@dataclass(frozen=True, slots=True)
class Position:
    """A point on WGS84, in degrees north and east. Raises PositionError for an impossible one."""

    lat: float
    lon: float

    def __post_init__(self) -> None:
        """Refuse what is no place on Earth."""
        if not (math.isfinite(self.lat) and math.isfinite(self.lon)):
            message = "a position needs two ordinary numbers"
            raise PositionError(message)
        if not -90 <= self.lat <= 90:  # noqa: PLR2004
            message = f"latitude {self.lat:g} is impossible: it goes from 90 south to 90 north"
            raise PositionError(message)
        if not -180 <= self.lon <= 180:  # noqa: PLR2004
            message = f"longitude {self.lon:g} is impossible: it goes from 180 west to 180 east"
            raise PositionError(message)


def read_position(text: str) -> Position | None:
    """Read a position; None where the text is not one. Raises PositionError for an impossible one."""
    typed = unicodedata.normalize("NFKC", text[: _LONGEST_TYPED + 1].translate(PLAIN_SIGNS)).strip()
    if len(typed) > _LONGEST_TYPED:
        return None
    if typed.lower().startswith("geo:"):
        return _read_geo(typed)
    typed = " ".join(typed.split())
    for pattern, sign in _SPELLED:
        typed = pattern.sub(sign, typed)
    if pair := _DECIMAL_PAIR.fullmatch(typed) or _DEGREE_PAIR.fullmatch(typed):
        return Position(_signed(pair[1]), _signed(pair[2]))
    if pair := _LETTERS_AFTER.fullmatch(typed):
        return _lettered(pair[2], pair[1], pair[4], pair[3])
    if pair := _LETTERS_BEFORE.fullmatch(typed):
        return _lettered(pair[1], pair[2], pair[3], pair[4])
    return None


def decimal(position: Position) -> str:
    """Write decimal degrees with five places (about a metre), as our texts do: 56.12345,-5.54321."""
    # Adding 0.0 turns a rounded -0.0 into 0.0, which would read as "south of the equator".
    return f"{round(position.lat, 5) + 0.0:.5f},{round(position.lon, 5) + 0.0:.5f}"


def _read_geo(typed: str) -> Position:
    """Read a `geo:` address by the grammar of RFC 5870 section 3.3."""
    match = _GEO.fullmatch(typed)
    if match is None:
        message = "a geo: address looks like geo:56.12345,-5.54321"
        raise PositionError(message)
    for parameter in match[3].lower().split(";"):
        name, _, value = parameter.partition("=")
        if name == "crs" and value != "wgs84":
            message = f"only WGS84 positions can be used, not {value or 'an unnamed system'}"
            raise PositionError(message)
    return Position(float(match[1]), float(match[2]))


def _lettered(first_letter: str, first: str, second_letter: str, second: str) -> Position:
    """Put two angles with hemisphere letters together, in whichever order they came."""
    angles = {first_letter.upper(): first, second_letter.upper(): second}
    north_south = [letter for letter in angles if letter in "NS"]
    east_west = [letter for letter in angles if letter in "EW"]
    if len(north_south) != 1 or len(east_west) != 1:
        message = "a position needs one N or S and one E or W"
        raise PositionError(message)
    if any(angle.lstrip().startswith(("+", "-")) for angle in angles.values()):
        message = "use a sign or a letter for the hemisphere, not both"
        raise PositionError(message)
    lat = _signed(angles[north_south[0]]) * (-1 if north_south == ["S"] else 1)
    lon = _signed(angles[east_west[0]]) * (-1 if east_west == ["W"] else 1)
    return Position(lat, lon)


def _signed(angle: str) -> float:
    """Turn degrees, or degrees and minutes, or degrees, minutes and seconds into signed degrees."""
    degrees, *sixtieths = re.findall(r"\d+(?:\.\d+)?", angle)
    total = float(degrees)
    last = len(sixtieths) - 1
    if sixtieths and "." in degrees:
        message = f"degrees with a decimal point cannot have minutes: {angle.strip()}"
        raise PositionError(message)
    for place, number in enumerate(sixtieths):
        if float(number) >= _MOST_SIXTIETHS:
            message = f"minutes and seconds go up to 59, not {number}"
            raise PositionError(message)
        if "." in number and place != last:
            message = f"minutes with a decimal point cannot have seconds: {angle.strip()}"
            raise PositionError(message)
        total += float(number) / 60.0 ** (place + 1)
    return -total if angle.lstrip().startswith("-") else total
