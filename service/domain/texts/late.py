"""Texts that ask for more time."""

from __future__ import annotations

import re

from service.domain.texts.clocks import with_plain_clocks
from service.domain.texts.intent import Intent, Kind
from service.domain.texts.numbers import CLOCK, LENGTH, minutes_in, take_code, take_reference, time_of
from service.domain.texts.typed import Typed

_WE = (
    r"(?:(?:we are|i am|we will|i will|we|i)(?: (?:going to|gonna|will))?(?: be)? "
    r"|(?:well|ill|will|going to|gonna) be )?"
    r"(?:running )?"
)
_LATE = (
    r"(?:late|later|delay|delayed|extend|extended|extension|overrun|overrunning"
    r"|(?:need |add |give us |give me )?(?:another|an extra|extra)|add|plus)"
)
_MORE = r"(?:more|longer|extra|late|later|delay)"
_MINUTES = r"(?:m(?:in(?:ute)?s?)?|minut(?:en|i|os))"

_BY_LENGTH = (
    re.compile(rf"{_WE}{_LATE}(?: (?:by|for|of))?(?: another| an extra| extra)? \+?({LENGTH})(?: {_MORE})?"),
    re.compile(rf"{_WE}(?:need |be )?({LENGTH}) {_MORE}"),
    re.compile(rf"{_WE}(?:need |give us |give me )?(\d{{1,3}}) (?:more|extra) {_MINUTES}"),
    re.compile(rf"\+({LENGTH})"),
)
_UNTIL = re.compile(rf"{_WE}(?:late|delay|delayed|extend|extended)(?: out)? (?:until|to) ({CLOCK}|\d{{1,2}} \d{{2}})")


def read_late(text: Typed) -> Intent | None:
    """Read a request for more minutes or for a later time; None also where it asks for none or too many."""
    words, reference = take_reference(text.words)
    words, code = take_code(words)
    if match := _UNTIL.fullmatch(with_plain_clocks(words)):
        until = time_of(match[1])
        return Intent(kind=Kind.LATE, until=until, code=code, ref=reference) if until else None
    for pattern in _BY_LENGTH:
        if match := pattern.fullmatch(words):
            minutes = minutes_in(match[1])
            return Intent(kind=Kind.LATE, minutes=minutes, code=code, ref=reference) if minutes else None
    return None
