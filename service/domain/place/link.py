"""The one position in a link to a map, as phones share where somebody is.

Which service made it does not matter: a link is read where it holds one pair of decimal degrees and no other number
like one. A map that shows one place and marks another has two, and a link without any needs somebody to open it.
"""

from __future__ import annotations

import re

_LINK = re.compile(r"https?://[^\s<>\"]+", re.IGNORECASE)
_ADDRESS = re.compile(r"\b(?:https?://|geo:)[^\s<>\"]+", re.IGNORECASE)
_CODED = re.compile(r"%([0-7][0-9a-f])", re.IGNORECASE)
# As fine as phones write them. What has fewer figures may be a version or a zoom, and is asked about.
_ANGLE = r"[-+]?\d{1,3}\.\d{4,15}"
_PAIR = re.compile(rf"(?<![\d.])({_ANGLE})(?:, ?|/)({_ANGLE})(?!\d|\.\d)")
_NAMED = tuple(
    re.compile(rf"[?&#;/]{prefix}{name}=({_ANGLE})(?!\d|\.\d)", re.IGNORECASE)
    for prefix, name in (("m?", "lat(?:itude)?"), ("m?", "(?:lon|lng|long|longitude)"))
)
_LIKE_AN_ANGLE = re.compile(r"(?<![\d.])[-+]?\d{1,3}\.\d{3,}(?!\.\d)")
# Some programs write the longitude first, and say so.
_TURNED = re.compile(r"(?:lon|lng|long|longitude)[_-]?lat", re.IGNORECASE)


def without_link(typed: str) -> str:
    """The text with its one link replaced by the position in it, as decimal degrees; unchanged where there is none."""
    links = list(_LINK.finditer(typed))
    if len(links) != 1:
        return typed
    pair = _pair_in(decoded(links[0][0]))
    return typed if pair is None else f"{typed[: links[0].start()]}{pair}{typed[links[0].end() :]}"


def bare_of_links(typed: str) -> str:
    """The text without links and geo: addresses: a question mark in them is not the sender's and asks nothing."""
    return _ADDRESS.sub(" ", typed)


def decoded(written: str) -> str:
    """Part of an address with its blanks and signs as they are meant (RFC 3986, section 2.1)."""
    return _CODED.sub(lambda sign: chr(int(sign[1], 16)), written.replace("+", " "))


def _pair_in(link: str) -> str | None:
    """The only latitude and longitude in a link; None where there is none, or more than one could be meant."""
    if _TURNED.search(link):
        return None
    found = [(match[1], match[2]) for match in _PAIR.finditer(link)]
    latitude, longitude = (list(name.finditer(link)) for name in _NAMED)
    found += [(one[1], other[1]) for one in latitude for other in longitude]
    pairs = {(float(lat), float(lon)): f"{lat},{lon}" for lat, lon in found}
    others = {float(one) for one in _LIKE_AN_ANGLE.findall(link)}
    if len(pairs) != 1:
        return None
    [(values, words)] = pairs.items()
    return words if others <= set(values) else None
