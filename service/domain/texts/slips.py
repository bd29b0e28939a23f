"""What a text would be but for one slip of a cold thumb: a key beside the right one, one too many, too few or swapped.

Nothing is ever done by it. An end that is guessed ends the only clock that would call for help, so whoever slipped is
told which word to send.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Final

from service.domain.texts.finish import read_finish
from service.domain.texts.intent import Kind
from service.domain.texts.late import read_late
from service.domain.texts.phrases import read_call_off, read_called, read_safe, read_status
from service.domain.texts.start import read_start
from service.domain.texts.table import words
from service.domain.texts.typed import Typed

TAUGHT: Final = ("out", "in", "late", "nogo", "safe", "called", "status")
"""The words that people are told to text, but for SOS, whose slips are words of trouble, and OK."""

_WORDS_OF_THEIR_OWN = words("""
our put but cut hut nut gut pout rout lout bout gout tout oust ouch opt oft oat
on an win inn im ink ing ins ion bin din fin gin kin pin sin tin vin gi hi ni un ein une uno um am
date fate gate hate lake lane mate rate sate later latte lat ate let lite lace laze
same sage save sake sane sale cafe saves safer sae saf calle caller galled balled walled
""")
_READERS: Final = (read_finish, read_start, read_late, read_call_off, read_safe, read_called, read_status)
_ROWS: Final = ("1234567890", "qwertyuiop", "asdfghjkl", "zxcvbnm")
_ALIKE: Final = {"o": "0", "i": "1l", "l": "1i", "t": "z", "u": "z"}
_MOST_WORDS: Final = 5


def slip_of(text: Typed) -> Kind | None:
    """The kind of the one form that it is but for one slip; None where there is none, or it asks anything."""
    tokens = text.words.split(" ")
    if text.asked or not text.whole or len(tokens) > _MOST_WORDS:
        return None
    kinds = {_kind_of(text, mended) for mended in _mended(tokens)} - {None}
    return next(iter(kinds)) if len(kinds) == 1 else None


def _mended(tokens: list[str]) -> list[str]:
    """The texts that may have been meant."""
    whole = "".join(tokens)
    if len(tokens) > 1 and whole in TAUGHT:
        return [whole]
    slips = [(n, meant) for n, token in enumerate(tokens) for meant in TAUGHT if token in _slips_of(meant)]
    return [" ".join([*tokens[:n], meant, *tokens[n + 1 :]]) for n, meant in slips]


def _kind_of(text: Typed, mended: str) -> Kind | None:
    one = replace(text, plain=mended, words=mended, words_with_now=mended)
    return next((intent.kind for reader in _READERS if (intent := reader(one))), None)


@cache
def _slips_of(word: str) -> frozenset[str]:
    """Every way in which one slip spoils a word, but for words of their own."""
    places = range(len(word))
    beside = {f"{word[:n]}{key}{word[n + 1 :]}" for n in places for key in _keys_beside(word[n])}
    doubled = {f"{word[:n]}{key}{word[n:]}" for n in places for key in word[n] + _keys_beside(word[n])}
    doubled |= {f"{word[: n + 1]}{key}{word[n + 1 :]}" for n in places for key in word[n] + _keys_beside(word[n])}
    swapped = {f"{word[:n]}{word[n + 1]}{word[n]}{word[n + 2 :]}" for n in places[:-1]}
    missed = {word[:n] + word[n + 1 :] for n in places} if len(word) > 2 else set()  # noqa: PLR2004 - "i" says nothing
    return frozenset(beside | doubled | swapped | missed) - _WORDS_OF_THEIR_OWN - {word}


def _keys_beside(letter: str) -> str:
    """The keys that touch one on a phone's keyboard, and the signs that look like it."""
    row = next(n for n, keys in enumerate(_ROWS) if letter in keys)
    at = _ROWS[row].index(letter)
    near = [(row, at - 1), (row, at + 1), (row - 1, at), (row - 1, at + 1), (row + 1, at - 1), (row + 1, at)]
    keys = [_ROWS[r][c] for r, c in near if 0 <= r < len(_ROWS) and 0 <= c < len(_ROWS[r])]
    return "".join(dict.fromkeys([*keys, *_ALIKE.get(letter, "")]))
