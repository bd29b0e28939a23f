"""From any text to its one reading: the whole text is one known form, or it is a worry, or it is unclear."""

from __future__ import annotations

import re

from service.domain.codes import read_reference
from service.domain.texts.finish import read_finish
from service.domain.texts.intent import Intent, Kind
from service.domain.texts.late import read_late
from service.domain.texts.near import near
from service.domain.texts.numbers import read_code
from service.domain.texts.phrases import (
    read_agree,
    read_bare_code,
    read_call_off,
    read_called,
    read_decline,
    read_not_called,
    read_ok,
    read_on_scene,
    read_pack,
    read_reserved,
    read_safe,
    read_status,
    read_where,
)
from service.domain.texts.positions import Place, place_of, read_position_text, trouble_of
from service.domain.texts.signed import read_signed_ok
from service.domain.texts.start import read_plan, read_start
from service.domain.texts.trouble import has_trouble
from service.domain.texts.typed import Typed, typed
from service.domain.texts.willing import read_willing

_RAISING = re.compile(
    r"[\W_]*(?:(?:(?:s[. ]?o[. ]?s|may ?day)+|🆘|pan[ -]?pan|emergency)(?![^\W_])(?:(?![+-]\d)[\W_])*)+"
    r"(?P<rest>.*)",
    re.IGNORECASE,
)
_NO_EMERGENCY = re.compile(
    r"emergency (?:is )?(?:services?|contacts?|numbers?|phone|over|exit|plan|kit|drill|card|cancelled)\b"
)

_FORMS = (
    read_reserved,
    read_position_text,
    read_bare_code,
    read_start,
    read_finish,
    read_late,
    read_call_off,
    read_ok,
    read_called,
    read_not_called,
    read_safe,
    read_on_scene,
    read_status,
    read_where,
    read_pack,
    read_agree,
    read_decline,
    read_plan,
    read_willing,
)

_MAY_BE_ASKED = frozenset({Kind.STATUS, Kind.WHERE, Kind.PACK, Kind.RAISE_NOW, Kind.INFO})
"""Kinds that a question mark does not make doubtful."""

# Only plain punctuation may stand between: a crossing-out emoji there says the opposite.
_LEAD_IN = re.compile(r"[\s.,!]*(?:ok|okay|yes|yep|yeah)\b(?:(?![+-]\d)[\s.,;:!-])*(?=.)", re.IGNORECASE)


def read(text: str) -> Intent:
    """Read a text; total and context-free. Who sent it and which dive is meant, the operation finds out."""
    cleaned = typed(text)
    if raised := _read_raise_now(cleaned):
        return raised
    intent = _read_form(cleaned) if cleaned.whole else None
    if intent and _is_plain(intent, cleaned):
        return intent
    if has_trouble(cleaned):
        return Intent(kind=Kind.WORRY)
    if intent:
        return Intent(kind=Kind.UNCLEAR, near=intent.kind)
    return _unclear(cleaned)


def _unclear(text: Typed) -> Intent:
    """Say what was probably meant, and what is wrong with a position that is none."""
    if reference := read_reference(text.words):
        return Intent(kind=Kind.UNCLEAR, ref=reference)
    if trouble := trouble_of(text.plain):
        return Intent(kind=Kind.UNCLEAR, near=Kind.POSITION, trouble=trouble)
    if signed := read_signed_ok(text):
        name, reference = signed
        return Intent(kind=Kind.UNCLEAR, near=near(text), signed=name, ref=reference)
    return Intent(kind=Kind.UNCLEAR, near=near(text))


def _is_plain(intent: Intent, text: Typed) -> bool:
    """Say whether a form is beyond doubt: not asked, and with no trouble in it that was taken for a site."""
    asked = text.asked and intent.kind not in _MAY_BE_ASKED
    # A site may have any name, so `in difficulty` looks like a start.
    return not asked and not (intent.site and has_trouble(text))


def _read_form(text: Typed) -> Intent | None:
    """Read the first form that the whole text is, with or without an OK or yes before it."""
    for reader in _FORMS:
        if intent := reader(text):
            return intent
    lead_in = _LEAD_IN.match(text.plain)
    if lead_in is None:
        return None
    rest = typed(text.plain[lead_in.end() :])
    intent = next((intent for reader in _FORMS if (intent := reader(rest))), None)
    # "OK. Not called" may be the OK of somebody who has not called yet.
    return None if intent is not None and intent.kind is Kind.NOT_CALLED else intent


def _read_raise_now(text: Typed) -> Intent | None:
    """Read SOS, MAYDAY, PAN PAN or EMERGENCY with whatever follows, kept word for word."""
    match = _RAISING.fullmatch(text.plain)
    if match is None or _NO_EMERGENCY.match(text.words):
        return None
    rest = match["rest"].strip()
    words = typed(rest).words
    reference, code, place = read_reference(words), read_code(words), place_of(rest) or Place()
    # A short code means nothing to a contact who has no map that knows where we are, so it is said as a position too.
    note = rest if words and not (reference or code or place.position) else None
    return Intent(
        kind=Kind.RAISE_NOW,
        note=note,
        ref=reference,
        code=code,
        position=place.position,
        accuracy_m=place.accuracy_m,
        short_code=place.short_code,
    )
