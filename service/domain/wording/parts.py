"""What a message is made of before it is in a language: parts that are kept, shortened or left out."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from typing import NamedTuple

from service.domain import encoding
from service.domain.language import Words, fragments, render


class Part(NamedTuple):
    """Words with their rank: 0 is never left out, and the higher, the sooner.

    Of what is never left out only a `Name` may be shortened when all else fails; with `shorten` the whole may be.
    """

    words: Words
    drop: int = 0
    shorten: bool = False


def keep(words: Words) -> Part:
    """Never left out; a `Name` in it is shortened when all else fails."""
    return Part(words)


def name_of(words: Words) -> Part:
    """Never left out; shortened when all else fails."""
    return Part(words, shorten=True)


def reason_of(words: Words) -> Part:
    """Why not: whole where it was made for a text, else it loses its tail at a word."""
    return name_of(words) if isinstance(words, str) else keep(words)


def may_go(rank: int, words: Words) -> Part:
    """Left out when room is short, the highest rank first."""
    return Part(words, rank)


def worded_parts(parts: Sequence[Part], language: str) -> list[encoding.Part]:
    """The parts in a language, ready to be fitted into a text."""
    return [piece for part in parts for piece in _worded(part, language).pieces]


def as_text(parts: Sequence[Part], language: str) -> str:
    """All the parts in a language as they stand in a text: nothing left out, in the GSM 7-bit alphabet."""
    return " ".join([text for part in parts if (text := _worded(part, language).text)])


def in_full(parts: Sequence[Part], language: str) -> str:
    """All the parts in a language, nothing left out and every letter kept, as it is spoken or mailed."""
    return " ".join(words for part in parts if (words := render(part.words, language)))


class _Worded(NamedTuple):
    """A part in a language: what may give way in it, and all of it as it stands in a text."""

    pieces: tuple[encoding.Part, ...]
    text: str


@lru_cache(maxsize=10_000)  # most of what a message says is what many others say: the site, the times, what to do
def _worded(part: Part, language: str) -> _Worded:
    if part.drop or part.shorten:
        pieces = [encoding.Part(render(part.words, language), part.drop, part.shorten)]
    else:
        pieces = [encoding.Part(text, 0, named) for text, named in fragments(part.words, language)]
    return _Worded(tuple(pieces), encoding.joined(pieces))
