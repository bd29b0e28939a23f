"""`geo:` addresses, by the grammar of RFC 5870 section 3.3, and with the query that phones add to it.

Behind a question mark many phones write what a map is to show: `?q=` and a marked place, which is then what is meant,
with a name for it in brackets, and `z=`. With a place of its own and another one to be marked both could be meant.
"""

from __future__ import annotations

import re

from service.domain.place.angles import rounded_off_m
from service.domain.place.link import decoded
from service.domain.place.position import Position, PositionError, Reading, understood

GEO = "geo: address"

_NUMBER = r"-?\d{1,15}(?:\.\d{1,15})?"
_ADDRESS = re.compile(
    rf"geo:({_NUMBER}),({_NUMBER})(?:,{_NUMBER})?((?:;[a-z0-9-]+(?:=[^;= ,?]+)?)*)(?:\?(.*))?", re.IGNORECASE
)
_MARKED = re.compile(rf"(?:loc:)?({_NUMBER}), ?({_NUMBER})(?: ?\(.*)?", re.IGNORECASE)
_METRES = re.compile(r"\d{1,15}(?:\.\d{1,15})?")


def read_geo(typed: str) -> Reading | None:
    """Read a geo: address, with the uncertainty `u=` in metres as its accuracy; None where the text is none.

    Where it says none the figures do, of the finer of the two numbers: programs leave out noughts at the end. Raises
    PositionError where the grammar is broken, the reference system is not WGS84, or two places could be meant. Height
    is left out.
    """
    if not typed.lower().startswith("geo:"):
        return None
    match = _ADDRESS.fullmatch(typed)
    if match is None:
        message = "a geo: address looks like geo:56.12345,-5.54321"
        raise PositionError(message)
    accuracy = None
    for parameter in match[3].lower().split(";"):
        name, _, value = parameter.partition("=")
        if name == "crs" and value != "wgs84":
            message = f"only WGS84 positions can be used, not {value or 'an unnamed system'}"
            raise PositionError(message)
        if name == "u":
            if not _METRES.fullmatch(value):
                message = "the uncertainty of a geo: address is a number of metres, as in ;u=35"
                raise PositionError(message)
            accuracy = float(value)
    latitude, longitude = _place(match)
    position = Position(float(latitude), float(longitude))
    half = 0.5 / 10.0 ** max(len(number.partition(".")[2]) for number in (latitude, longitude))
    return understood(position, GEO, accuracy_m=rounded_off_m(position, half, half) if accuracy is None else accuracy)


def _place(match: re.Match[str]) -> tuple[str, str]:
    """The two numbers of what is marked in an address, or else of its own place."""
    own = match[1], match[2]
    named = [part[2:] for part in (match[4] or "").split("&") if part.lower().startswith("q=")]
    if not named:
        return own
    marked = _MARKED.fullmatch(decoded(named[0]))
    if marked is None and float(own[0]) == float(own[1]) == 0:
        message = "this geo: address has a name and no position: send it as geo:56.12345,-5.54321"
        raise PositionError(message)
    found = own if marked is None else (marked[1], marked[2])
    if any(float(one) not in (0, float(other)) for one, other in zip(own, found, strict=True)):
        message = "this geo: address has two positions: send the one that is meant, as geo:56.12345,-5.54321"
        raise PositionError(message)
    return found
