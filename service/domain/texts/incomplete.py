"""A long text of which a part never came: what is left is never a whole text, and still may be a cry for help."""

from __future__ import annotations

from service.domain.texts.intent import Intent, Kind
from service.domain.texts.reading import read

PART_MISSING = "[part missing]"
"""Stands in a text where a part is missing. Not a word of whoever sent it, so it does not count as trouble."""


def read_incomplete(text: str) -> Intent:
    """Read a text with gaps: worry and SOS hold, and anything else is unclear, however whole it looks.

    A code, a position or a reference in it may have lost its beginning or its end, so none is taken from it.
    """
    # A gap ends a clause: whatever was lost, a "no" before it does not deny what follows.
    intent = read(text.replace(PART_MISSING, "\n").strip())
    if intent.kind is Kind.WORRY:
        return intent
    if intent.kind is Kind.RAISE_NOW:
        return Intent(kind=Kind.RAISE_NOW, note=text, reserved=intent.reserved)
    near = intent.near if intent.kind is Kind.UNCLEAR else intent.kind
    return Intent(kind=Kind.UNCLEAR, near=near)
