"""The GSM 7-bit alphabet, how many segments a text takes, and fitting a text into them.

Sources: 3GPP TS 23.038 clause 6.2.1 (default alphabet) and 6.2.1.1 (extension table); 3GPP TS 23.040
clause 9.2.3.24.1 (concatenated texts: 153 septets or 67 UCS-2 units a part, no character in two parts).
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from functools import lru_cache
from typing import NamedTuple

from anyascii import anyascii

_BASIC = frozenset(
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
_EXTENSION = frozenset("\f^{}\\[~]|€")
_ALPHABET = _BASIC | _EXTENSION

_SAME = {"\r": "\n", "\f": " ", "\t": " ", "\v": " ", "`": "'"}
"""Characters that anyascii leaves as they are and that phones or alphabets handle badly."""

# Nearly every text is made of these alone, and a set looks at a whole text at once; bytes do so in a tenth of the time.
_AS_THEY_ARE = _ALPHABET - _SAME.keys()
_PLAIN = "".join(character for character in _BASIC & _AS_THEY_ARE if character.isascii()).encode()

# Greek capitals are in the alphabet and small letters are not: a word is kept whole or transliterated whole,
# since a name of two scripts is hard to read aloud.
_GREEK_WORD = re.compile("[\u0370-\u03ff\u1f00-\u1fff]+")

_SHORTENED = ".."

_LAST_SINGLE = "\uffff"
"""A character beyond the basic plane is a pair of surrogates in UCS-2."""


class Encoding(StrEnum):
    """How a text goes over the air."""

    GSM7 = "GSM-7"
    UCS2 = "UCS-2"


_ALONE = {Encoding.GSM7: 160, Encoding.UCS2: 70}
_IN_PARTS = {Encoding.GSM7: 153, Encoding.UCS2: 67}


@dataclass(frozen=True, slots=True)
class Segments:
    """How a text is cut. Units are septets (GSM-7) or 16 bits (UCS-2); `parts` has those of each segment."""

    encoding: Encoding
    units: int
    parts: tuple[int, ...]


class Part(NamedTuple):
    """A piece of a text that is kept whole. The higher `drop`, the sooner it is left out; 0 never is.

    With `shorten`, a part that is never left out (a name) may be cut between words when all else fails.
    """

    text: str
    drop: int
    shorten: bool = False


def is_gsm7(text: str) -> bool:
    """Say whether every character is in the default alphabet or its extension table."""
    return _is_plain(text) or _ALPHABET.issuperset(text)


def _is_plain(text: str) -> bool:
    """Whether every character is one that ASCII has too, of one septet, and to be left as it is."""
    return text.isascii() and not text.encode().translate(None, _PLAIN)


def septets(text: str) -> int:
    """Count the septets of a GSM 7-bit text; a character of the extension table takes two.

    Raises ValueError for a character that is in neither.
    """
    if _is_plain(text) or _BASIC.issuperset(text):
        return len(text)
    return sum(_septets_of(character) for character in text)


def segments(text: str) -> Segments:
    """Count the segments of a text, in GSM 7-bit where it can be and else in UCS-2, as a gateway does."""
    if is_gsm7(text):
        return _packed_gsm7(text)
    return _packed(Encoding.UCS2, [2 if character > _LAST_SINGLE else 1 for character in text])


def to_gsm7(text: str) -> str:
    """Write a text in the GSM 7-bit alphabet: its letters stay, others become the nearest readable ones."""
    if _is_plain(text) or _AS_THEY_ARE.issuperset(text):
        return text
    composed = unicodedata.normalize("NFC", text)
    composed = _GREEK_WORD.sub(lambda word: word[0] if is_gsm7(word[0]) else anyascii(word[0]), composed)
    return "".join(_gsm7_of(character) for character in composed.replace("\r\n", "\n"))


def fit(parts: Sequence[Part], segments: int, reserve: int = 0) -> str:
    """Join parts by a blank so that they fit into so many GSM 7-bit segments less `reserve` septets.

    The part with the highest `drop` goes first, the last of equals. Then the longest that may be shortened is
    shortened. Raises ValueError where even that is not enough.
    """
    whole = joined(parts)
    if takes(whole, reserve) <= segments:
        return whole  # as nearly always
    kept = [_Piece(text, part.drop, part.shorten) for part in parts if (text := _flat(part.text))]
    while (excess := _excess(kept, segments, reserve)) > 0:
        droppable = [place for place, piece in enumerate(kept) if piece.drop]
        if droppable:
            del kept[max(droppable, key=lambda place: (kept[place].drop, place))]
        elif not _shorten_one(kept, excess):
            message = f"the parts that may not be left out do not fit into {segments} segments"
            raise ValueError(message)
    return _joined(kept)


def joined(parts: Iterable[Part]) -> str:
    """All the parts, joined by a blank and written in the GSM 7-bit alphabet."""
    return " ".join([text for part in parts if (text := _flat(part.text))])


def takes(text: str, reserve: int = 0) -> int:
    """How many segments a GSM 7-bit text takes with so many septets behind it."""
    if not (_is_plain(text) or _BASIC.issuperset(text)):
        return len(_packed_gsm7(text, reserve).parts)
    units = len(text) + reserve
    return 1 if units <= _ALONE[Encoding.GSM7] else -(-units // _IN_PARTS[Encoding.GSM7])


@lru_cache(maxsize=10_000)
def _flat(text: str) -> str:
    return " ".join(to_gsm7(text).split())


@dataclass(slots=True)
class _Piece:
    """A part on its way into a text."""

    text: str
    drop: int
    shorten: bool


def _joined(pieces: Iterable[_Piece]) -> str:
    return " ".join(piece.text for piece in pieces)


def _excess(pieces: Sequence[_Piece], most: int, reserve: int) -> int:
    """Count the septets too many; at least 1 where an escape pair at a seam costs a segment."""
    packed = _packed_gsm7(_joined(pieces), reserve)
    if len(packed.parts) <= most:
        return 0
    room = _ALONE[Encoding.GSM7] if most == 1 else most * _IN_PARTS[Encoding.GSM7]
    return max(1, packed.units - room)


def _shorten_one(pieces: Sequence[_Piece], excess: int) -> bool:
    """Shorten the longest piece that may be and can be; False where there is none."""
    longest_first = sorted((piece for piece in pieces if piece.shorten), key=lambda piece: -septets(piece.text))
    # Where no one piece can give way alone, the longest gives what it can.
    for wanted in (excess, 1):
        for piece in longest_first:
            shorter = _shortened(piece.text, septets(piece.text) - wanted)
            if shorter is not None:
                piece.text = shorter
                return True
    return False


def _shortened(text: str, most: int) -> str | None:
    """Cut a text to at most so many septets, between words if it has any; None if nothing would be left.

    What closes a quotation stays: behind it speaks somebody else.
    """
    closing = next((end for end in ('".', '"') if text.endswith(end)), "")
    body, ends = text.removesuffix(closing).removesuffix(_SHORTENED), _SHORTENED + closing
    while body and septets(body) + len(ends) > most:
        before, blank, _ = body.rpartition(" ")
        body = before.rstrip(" ,;:.-") if blank else body[:-1]
    return body + ends if body else None


def _septets_of(character: str) -> int:
    if character in _BASIC:
        return 1
    if character in _EXTENSION:
        return 2
    message = f"U+{ord(character):04X} is not in the GSM 7-bit alphabet"
    raise ValueError(message)


def _packed_gsm7(text: str, reserve: int = 0) -> Segments:
    """Put a GSM 7-bit text and so many septets behind it into segments."""
    if not (_is_plain(text) or _BASIC.issuperset(text)):
        return _packed(Encoding.GSM7, [_septets_of(character) for character in text] + [1] * reserve)
    units, room = len(text) + reserve, _IN_PARTS[Encoding.GSM7]
    if units <= _ALONE[Encoding.GSM7]:
        return Segments(Encoding.GSM7, units, (units,))
    full, rest = divmod(units, room)
    return Segments(Encoding.GSM7, units, (room,) * full + ((rest,) if rest else ()))


def _packed(encoding: Encoding, sizes: Sequence[int]) -> Segments:
    """Put characters of these sizes into segments, never one character into two."""
    units = sum(sizes)
    if units <= _ALONE[encoding]:
        return Segments(encoding, units, (units,))
    parts = [0]
    for size in sizes:
        if parts[-1] + size > _IN_PARTS[encoding]:
            parts.append(0)
        parts[-1] += size
    return Segments(encoding, units, tuple(parts))


def _gsm7_of(character: str) -> str:
    """Write one character; nothing where it has no reading."""
    if character in _SAME:
        return _SAME[character]
    if is_gsm7(character):
        return character
    readable = (_SAME.get(letter, letter) for letter in anyascii(character))
    return "".join(letter for letter in readable if is_gsm7(letter))
