"""`geo:` addresses, by the grammar of RFC 5870 section 3.3."""

from __future__ import annotations

import re

from service.domain.place.position import Position, PositionError, Reading, understood

GEO = "geo: address"

_NUMBER = r"-?\d{1,15}(?:\.\d{1,15})?"
_ADDRESS = re.compile(rf"geo:({_NUMBER}),({_NUMBER})(?:,{_NUMBER})?((?:;[a-z0-9-]+(?:=[^;= ,]+)?)*)", re.IGNORECASE)
_METRES = re.compile(r"\d{1,15}(?:\.\d{1,15})?")


def read_geo(typed: str) -> Reading | None:
    """Read a geo: address, with the uncertainty `u=` in metres as its accuracy; None where the text is none.

    Raises PositionError where the grammar is broken or the reference system is not WGS84. Height is left out.
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
    return understood(Position(float(match[1]), float(match[2])), GEO, accuracy_m=accuracy)
