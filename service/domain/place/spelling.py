"""Words to read out over a phone: digit by digit, and letters by the spelling alphabet.

The alphabet is that of the ITU Radio Regulations, Appendix 14, and of ICAO Annex 10, Volume II, 5.2.1.3. Digits are the
plain English words: the figure words of both (such as "niner" and "novenove") are for noisy radio, and a frightened
person on a phone does better without them.
"""

from __future__ import annotations

import re
import unicodedata

from service.domain.place.position import Position
from service.domain.place.writing import degrees_minutes

ALPHABET = {
    word[0]: word
    for word in (
        *("Alfa", "Bravo", "Charlie", "Delta", "Echo", "Foxtrot", "Golf", "Hotel", "India", "Juliett", "Kilo", "Lima"),
        *("Mike", "November", "Oscar", "Papa", "Quebec", "Romeo", "Sierra", "Tango", "Uniform", "Victor", "Whiskey"),
        *("X-ray", "Yankee", "Zulu"),
    )
}
"""The word of each letter."""

_FIGURES = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")

_SIGNS = {
    "-": "minus",
    "+": "plus",
    ".": "decimal",
    "°": "degrees",
    "'": "minutes",
    "\N{PRIME}": "minutes",
    '"': "seconds",
    "\N{DOUBLE PRIME}": "seconds",
    "/": "slash",
    ":": "colon",
}

_HEMISPHERES = {"N": "north", "S": "south", "E": "east", "W": "west"}

# Said as they are: spelling them out would hide them.
_SAID = frozenset(_HEMISPHERES.values())

_AFTER_UNIT = ("°", "'", '"', "\N{PRIME}", "\N{DOUBLE PRIME}")


def spell(text: str) -> str:
    """Spell a text: "TG 51409" is "Tango Golf, five one four zero nine".

    Blanks and commas part groups, and groups are parted by commas. N, S, E and W after a number of degrees, minutes
    or seconds, or alone behind one with a point, are hemispheres: "20.54321 W" ends in "west". Total: a sign without a
    word of its own is called by its Unicode name.
    """
    spelled: list[str] = []
    before = ""
    for group in re.split(r"[\s,]+", text):
        hemisphere = _hemisphere(group, before)
        if hemisphere and spelled:
            spelled[-1] = f"{spelled[-1]} {hemisphere}"
        elif group:
            spelled.append(hemisphere or _group(group))
        before = group
    return ", ".join(spelled)


def spell_position(position: Position) -> str:
    """Degrees and decimal minutes for a phone call: "four seven degrees, zero seven decimal four ... north, ..."."""
    latitude, longitude = degrees_minutes(position).split(" ")
    return ", ".join(spell(angle.replace("°", "° ")) for angle in (latitude, longitude))


def _hemisphere(group: str, before: str) -> str | None:
    """The word, where a group is a hemisphere: as a word itself, or as a letter by what stands before it."""
    if group.lower() in _SAID:
        return group.lower()
    return _HEMISPHERES.get(group) if _is_angle(before) else None


def _group(group: str) -> str:
    """Spell one group, of which the last letter may be a hemisphere."""
    hemisphere = _HEMISPHERES.get(group[-1]) if _is_angle(group[:-1]) else None
    words = [_character(character) for character in group]
    return " ".join([*words[:-1], hemisphere or words[-1]])


def _is_angle(before: str) -> bool:
    """Whether a letter after this is a hemisphere: it ends in a sign of degrees, or is a number with a point."""
    return before[-1:] in _AFTER_UNIT or re.fullmatch(r"[+-]?\d+\.\d+", before) is not None


def _character(character: str) -> str:
    """The word of one character."""
    if character.upper() in ALPHABET:
        return ALPHABET[character.upper()]
    if character.isdecimal():
        return _FIGURES[unicodedata.decimal(character)]
    return _SIGNS.get(character) or unicodedata.name(character, "unknown sign").lower()
