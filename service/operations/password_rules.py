"""What a password must be. Length counts; no mix of kinds of characters is asked for (OWASP ASVS 5.0, 6.2.1 to 6.2.9).

Refused is what is short, and what a guesser tries early: one thing over and over, a row of the keyboard or of the
alphabet, and little more than the names that belong to the account. Everything else is taken, just as it was typed.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Final

from service.store.passwords import LONGEST

SHORTEST: Final = 12
NAME_MIN: Final = 3  # of shorter ones too many words are made
DIFFERENT_MIN: Final = 4
BESIDE_NAMES_MIN: Final = 6  # characters that must be there beside names

# Words that belong to every installation; those of the account are added to them.
ALWAYS_KNOWN: Final = ("linetender", "password", "passphrase", "diver", "diving", "admin", "owner", "officer", "viewer")

_ROWS: Final = ("abcdefghijklmnopqrstuvwxyz", "01234567890", "qwertyuiop", "asdfghjkl", "zxcvbnm")
_RUN: Final = 4  # so many neighbours of a row count as one thing


def unfit(password: str, names: Iterable[str]) -> str | None:
    """Why this cannot be a password, in a sentence; None where it can. `names`: of the club and the admin."""
    if len(password) < SHORTEST:
        return f"A password has at least {SHORTEST} characters. A few words in a row are good."
    if len(password) > LONGEST:
        return f"A password has at most {LONGEST} characters."
    folded = password.casefold()
    if folded in (folded + folded)[1:-1] or len(set(folded)) < DIFFERENT_MIN:
        return "This is one thing over and over, which is tried early. Take a few words in a row."
    if len(_without_rows(folded)) < BESIDE_NAMES_MIN:
        return "This is little more than rows of keys or letters, which are tried early. Take a few words in a row."
    if len(_without_names(folded, names)) < BESIDE_NAMES_MIN:
        return "This is little more than names that anybody can find out. Take a few other words in a row."
    return None


def _without_rows(folded: str) -> str:
    """What is left when rows of four or more neighbours, either way, have been taken out."""
    left = folded
    for row in _ROWS:
        for line in (row, row[::-1]):
            for length in range(len(line), _RUN - 1, -1):
                for start in range(len(line) - length + 1):
                    left = left.replace(line[start : start + length], "")
    return left


def _without_names(folded: str, names: Iterable[str]) -> str:
    """What is left, but for spaces, when the names have been taken out."""
    known = {part for name in (*names, *ALWAYS_KNOWN) for part in re.findall(r"\w+", name.casefold())}
    left = folded
    for name in sorted(known, key=len, reverse=True):
        if len(name) >= NAME_MIN:
            left = left.replace(name, "")
    return "".join(left.split())
