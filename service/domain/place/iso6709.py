"""The string form of ISO 6709 (Annex H): +47.1234-020.5432/.

Latitude has two digits of degrees and longitude three; minutes and seconds follow without signs, and only the last
unit has decimals. A height and the name of the reference system may come before the slash that ends it.
"""

from __future__ import annotations

import re

from service.domain.place.position import Position, PositionError, Reading, understood

ISO_6709 = "ISO 6709"

_SHAPE = re.compile(r"[+-]\d[\d.]*[+-]\d[\d.]*(?:[+-]\d[\d.]*)?(?:CRS[A-Z0-9_:-]*)?/", re.IGNORECASE)
_STRING = re.compile(
    r"([+-])(\d\d)((?:\d\d){0,2})(\.\d{1,15})?"
    r"([+-])(\d\d\d)((?:\d\d){0,2})(\.\d{1,15})?"
    r"(?:[+-]\d{1,15}(?:\.\d{1,15})?)?(?:CRS([A-Z0-9_:-]*))?/",
    re.IGNORECASE,
)
_MOST_SIXTIETHS = 60


def read_iso6709(typed: str) -> Reading | None:
    """Read the string form, slash included; None where the text is not shaped like one.

    Raises PositionError for too few or too many digits, impossible angles, and systems other than WGS84.
    """
    if not _SHAPE.fullmatch(typed):
        return None
    match = _STRING.fullmatch(typed)
    if match is None:
        message = (
            f"{typed} has too few or too many digits: ISO 6709 has two of degrees for latitude and three for"
            " longitude, as in +47.1234-020.5432/"
        )
        raise PositionError(message)
    if match[9] is not None and match[9].upper() not in ("WGS_84", "WGS84"):
        message = f"only WGS84 positions can be used, not {match[9] or 'an unnamed system'}"
        raise PositionError(message)
    lat = _signed(match[1], match[2], match[3], match[4])
    return understood(Position(lat, _signed(match[5], match[6], match[7], match[8])), ISO_6709)


def _signed(sign: str, degrees: str, sixtieths: str, fraction: str | None) -> float:
    """Put one angle together; the fraction belongs to its last unit."""
    units = [degrees, *re.findall(r"\d\d", sixtieths)]
    if any(int(unit) >= _MOST_SIXTIETHS for unit in units[1:]):
        message = f"minutes and seconds go up to 59 in ISO 6709, not as in {sign}{degrees}{sixtieths}"
        raise PositionError(message)
    units[-1] += fraction or ""
    total = sum(float(unit) / 60.0**place for place, unit in enumerate(units))
    return -total if sign == "-" else total
