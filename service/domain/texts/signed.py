"""An OK with a name behind it: whether the name is the sender's own, only who knows them can say.

Until then it is not understood: "OK 7K no answer" looks just like "OK 7K Marta Lund".
"""

from __future__ import annotations

import re

from anyascii import anyascii

from service.domain.codes import read_reference
from service.domain.texts.phrases import OK
from service.domain.texts.typed import Typed, folded, typed

_MOST_NAMES = 4
_NAME = r"[^\W\d_]{2,}"
_SIGNED = re.compile(
    rf"(?:{'|'.join(sorted(OK, key=len, reverse=True))})(?: (?P<first>[2-9] ?[a-z]))?"
    rf" (?P<name>{_NAME}(?: {_NAME}){{0,{_MOST_NAMES - 1}}})(?: (?P<last>[2-9] ?[a-z]))?"
)


def read_signed_ok(text: Typed) -> tuple[str, str | None] | None:
    """The words behind an OK that may be a name, and the reference; None where a text is nothing of the kind."""
    match = _SIGNED.fullmatch(text.words)
    if match is None or text.asked or not text.whole or (match["first"] and match["last"]):
        return None
    return match["name"], read_reference(match["first"] or match["last"] or "")


def is_name(signed: str, name: str) -> bool:
    """Whether words behind an OK are this name, whole or the first of it, however it is spelled and capitalised."""
    whole = _in_latin(typed(name).words)
    return bool(whole) and _in_latin(signed) in (whole, whole.partition(" ")[0])


def _in_latin(words: str) -> str:
    return " ".join(anyascii(folded(words)).lower().split())
