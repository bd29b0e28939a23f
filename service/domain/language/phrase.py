"""A phrase: English with named gaps, and what goes into them. It is worded in a language at the very end.

They are tuples, since every message is made of a dozen, and those are made and compared in a third of the time.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import datetime
from functools import lru_cache
from typing import NamedTuple

from babel.numbers import format_decimal

from service.domain import local_time
from service.domain.language.catalogues import is_language, translations
from service.domain.people import ENGLISH

KILOMETRE_M = 1000
_GAP = re.compile(r"\{(\w+)\}")
# Characters of no alphabet mark where a name begins and ends while its sentence is put together.
_FROM, _TO = "\ue000", "\ue001"
_NAMED = re.compile(rf"[^\s{_FROM}]*(?:{_FROM}[^{_TO}]*{_TO}[^\s{_FROM}]*)+")


class Name(NamedTuple):
    """A person, a place or somebody's own words: never translated, and the only thing that may be shortened."""

    text: str


class Moment(NamedTuple):
    """A time as the clocks at a site show it, with its day where that is not the day of `now`; `aloud`: for a voice."""

    at: datetime
    zone: str
    now: datetime
    aloud: bool = False


class Length(NamedTuple):
    """A length, told to 10 m, from a kilometre on to 100 m."""

    metres: float


class Phrase(NamedTuple):
    """What is said, in no language yet. Made by `say` and `count`."""

    msgid: str
    values: tuple[tuple[str, Value], ...] = ()
    plural: str = ""
    number: int = 1


Value = str | int | Name | Moment | Length | Phrase
Words = str | Phrase
"""What a message is made of: a plain `str` is the same in every language."""


def say(msgid: str, /, **values: Value) -> Phrase:
    """What is said, in English, with `{name}` for each value."""
    return Phrase(msgid, tuple(values.items()))


def count(one: str, many: str, number: int, /, **values: Value) -> Phrase:
    """What is said of so many, in English for one and for several; `{count}` is the number."""
    return Phrase(one, (("count", number), *values.items()), many, number)


def render(words: Words, language: str = ENGLISH) -> str:
    """The words in a language, every letter of it. In English where the language or the translation is not known."""
    return _worded(words, _known(language)).replace(_FROM, "").replace(_TO, "")


def fragments(words: Words, language: str) -> list[tuple[str, bool]]:
    """The words in a language, cut at the blanks around each name; True for a piece that has a name in it."""
    text = _worded(words, _known(language))
    if _FROM not in text:
        return [(alone, False)] if (alone := text.strip()) else []
    found: list[tuple[str, bool]] = []
    end = 0
    for named in _NAMED.finditer(text):
        found += [(text[end : named.start()], False), (named[0].replace(_FROM, "").replace(_TO, ""), True)]
        end = named.end()
    found.append((text[end:], False))
    return [(piece.strip(), name) for piece, name in found if piece.strip()]


def _known(language: str) -> str:
    return language if is_language(language) else ENGLISH


def _worded(words: Words, language: str) -> str:
    if isinstance(words, str):
        return words
    values = {name: _value(value, language) for name, value in words.values}
    return _filled(_translated(words, language), values) or _filled(_english(words), values) or words.msgid


def _translated(phrase: Phrase, language: str) -> str:
    catalogue = translations(language)
    if phrase.plural:
        return catalogue.ngettext(phrase.msgid, phrase.plural, phrase.number)
    return catalogue.gettext(phrase.msgid)


def _english(phrase: Phrase) -> str:
    return phrase.plural if phrase.plural and phrase.number != 1 else phrase.msgid


def _filled(pattern: str, values: Mapping[str, str]) -> str | None:
    """The sentence with its gaps filled; None where a gap has no value, as in a spoilt translation."""
    between, gaps = _cut(pattern)
    try:
        return "".join([before + values[gap] for before, gap in zip(between, gaps, strict=False)]) + between[-1]
    except KeyError:
        return None


@lru_cache(maxsize=10_000)
def _cut(pattern: str) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """What stands between the gaps of a sentence, and the names of the gaps; the one is longer by one."""
    pieces = _GAP.split(pattern)
    return tuple(pieces[::2]), tuple(pieces[1::2])


def _value(value: Value, language: str) -> str:
    if isinstance(value, Name):
        return f"{_FROM}{value.text.replace(_FROM, '').replace(_TO, '')}{_TO}"
    if isinstance(value, Moment):
        return local_time.say(value.at, value.zone, value.now, language, aloud=value.aloud)
    if isinstance(value, Phrase):
        return _worded(value, language)
    if isinstance(value, Length):
        return _length(value.metres, language)
    return str(value)


def _length(metres: float, language: str) -> str:
    tens = round(metres / 10) * 10
    if tens < KILOMETRE_M:
        return f"{tens} m"
    return f"{format_decimal(metres / KILOMETRE_M, '0.0', locale=language)} km"
