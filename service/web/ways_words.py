"""By which ways people are told, and in which languages, as the pages say it."""

from __future__ import annotations

from babel import Locale

from service.domain.dive import Dive
from service.domain.dive.ways import ways_to
from service.domain.language import LANGUAGES
from service.domain.people import Channel

LANGUAGE_NAMES = tuple((code, (Locale.parse(code).get_display_name(code) or code).capitalize()) for code in LANGUAGES)
"""Each language by its code and its own name."""

_WORDS = {Channel.TEXT: "text", Channel.CALL: "call", Channel.EMAIL: "e-mail"}


def told_by(dive: Dive) -> dict[str, str]:
    """How each contact of a dive is told, by key: "by text, then call, and by e-mail"."""
    return {contact.key: _said(ways_to(dive, contact)) for contact in dive.contacts}


def _said(ways: tuple[Channel, ...]) -> str:
    direct = ", then ".join(_WORDS[way] for way in ways if way is not Channel.EMAIL)
    return f"by {direct}{', and by e-mail' if Channel.EMAIL in ways else ''}"
