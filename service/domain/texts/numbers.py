"""Codes, references, lengths of time and times of day as they stand in a text."""

from __future__ import annotations

import re

from service.domain.codes import read_reference

MOST_MINUTES = 600
MOST_PEOPLE = 99

# Groups are those that people make when they copy digits. Uneven ones (2-3-3, 1-6) are not taken for one
# code, because the first group may be a head count.
_SEPARATOR = r"[ .,-]"
CODE = (
    r"(?:\d{6,9}"
    rf"|\d{{3}}{_SEPARATOR}\d{{3}}{_SEPARATOR}\d{{3}}|\d{{3}}{_SEPARATOR}\d{{3,4}}|\d{{4}}{_SEPARATOR}\d{{3,4}}"
    rf"|\d{{2}}(?:{_SEPARATOR}\d{{2}}){{2,3}}"
    rf"|\d(?:{_SEPARATOR}\d){{5,8}})"
)
_CODE_FIRST = re.compile(rf"(?:code )?({CODE}) (?=\S)")
_CODE_LAST = re.compile(rf"(?:^| )(?:code )?({CODE})$")
_CODE_INSIDE = re.compile(r" (?:code )?(\d{6,9}) (?=\S)")
_CODE_ONLY = re.compile(rf"(?:(?:(?:start|finish) )?code )?({CODE})")

_REFERENCE = r"[2-9] ?[a-z]"
_REFERENCE_FIRST = re.compile(rf"({_REFERENCE}) (?=\S)")
_REFERENCE_LAST = re.compile(rf"(?:^| )(?:(?:ref|reference|dive) )?({_REFERENCE})$")
# Our texts say `CALLED 7K`, so what else there is to say is typed behind it: `CALLED 7K 4711`.
_REFERENCE_SECOND = re.compile(rf"(in|out|late|called|safe) ({_REFERENCE}) (?=\S)")

# In the languages of our texts: what is asked for is English, and how long in one's own.
_HOUR = r"(?:h(?:(?:ou)?rs?)?|stunden?|ora|ore|horas?|heures?)"
_MINUTE = r"(?:m(?:in(?:ute)?s?)?|minut(?:en|i|os))"
_HOURS = r"(?:\d|10)"
LENGTH_WITH_UNIT = (
    rf"(?:\d{{1,3}} ?{_MINUTE}"
    rf"|{_HOURS} ?{_HOUR}(?:(?: and)? ?\d{{1,2}} ?{_MINUTE}|\d{{1,2}}| \d{{2}})?"
    rf"|\d[.,]\d{{1,2}} ?{_HOUR}"
    r"|(?:an?|1) hour and a half|half an? hour|half hour|1/2 ?h(?:our)?|an? hour|quarter of an hour)"
)
"""A length of time, anchored by whoever uses it: 20m, 20 mins, 1h10, 1 hour 10, 1.5h, half an hour."""

LENGTH = rf"(?:{LENGTH_WITH_UNIT}|\d{{1,3}})"
"""The same, or a bare number of minutes."""

_SPOKEN_LENGTHS = {
    "an hour and a half": 90,
    "a hour and a half": 90,
    "1 hour and a half": 90,
    "half an hour": 30,
    "half a hour": 30,
    "half hour": 30,
    "1/2 hour": 30,
    "1/2 h": 30,
    "1/2h": 30,
    "1/2hour": 30,
    "an hour": 60,
    "a hour": 60,
    "quarter of an hour": 15,
}
_LENGTH_PARTS = re.compile(rf"(?:(\d+(?:[.,]\d+)?) ?{_HOUR})?(?:(?: and)? ?(\d+)(?: ?{_MINUTE})?)?")

CLOCK = r"(?:\d{1,2}[:.h]\d{2} ?(?:am|pm)?|\d{1,2} ?(?:am|pm)|\d{3,4}(?: ?(?:am|pm|h|hrs))?)"
"""A time of day, anchored by whoever uses it: 14:30, 14.30, 1430, 14h30, 2.30pm, 2pm."""

_CLOCK_PARTS = re.compile(r"(\d{1,2})(?:[:.h ]?(\d{2}))? ?(am|pm|h|hrs)?")


def take_code(words: str) -> tuple[str, str | None]:
    """Take a code off either end of the words, or an unparted one from within; return the rest and it."""
    if match := _CODE_FIRST.match(words):
        return words[match.end() :], _digits(match[1])
    if match := _CODE_LAST.search(words):
        return words[: match.start()], _digits(match[1])
    if match := _CODE_INSIDE.search(words):
        return f"{words[: match.start()]} {words[match.end() :]}", match[1]
    return words, None


def read_code(words: str) -> str | None:
    """Return the digits where the words are a code and nothing else."""
    match = _CODE_ONLY.fullmatch(words)
    return _digits(match[1]) if match else None


def take_reference(words: str) -> tuple[str, str | None]:
    """Take the reference of a dive off either end, or from behind a word of ours; return what is left and it."""
    for pattern, first in ((_REFERENCE_LAST, False), (_REFERENCE_FIRST, True)):
        match = pattern.search(words) if not first else pattern.match(words)
        reference = read_reference(match[1]) if match else None
        if match and reference:
            return (words[match.end() :] if first else words[: match.start()]), reference
    match = _REFERENCE_SECOND.match(words)
    reference = read_reference(match[2]) if match else None
    if match and reference:
        return f"{match[1]} {words[match.end() :]}", reference
    return words, None


def minutes_in(length: str) -> int | None:
    """Return the minutes in words that match LENGTH, or None unless they are whole and 1 to 600."""
    if length in _SPOKEN_LENGTHS:
        return _SPOKEN_LENGTHS[length]
    match = _LENGTH_PARTS.fullmatch(length)
    if match is None:
        return None
    minutes = round(float((match[1] or "0").replace(",", ".")) * 60) + int(match[2] or 0)
    return minutes if 1 <= minutes <= MOST_MINUTES else None


def time_of(clock: str) -> str | None:
    """Return HH:MM for words that match CLOCK, or None where there is no such time of day."""
    match = _CLOCK_PARTS.fullmatch(clock)
    if match is None:
        return None
    hour, minute, half = int(match[1]), int(match[2] or 0), match[3]
    if half in ("am", "pm"):
        if not 1 <= hour <= 12:  # noqa: PLR2004 - hours of a twelve-hour clock
            return None
        hour = hour % 12 + (12 if half == "pm" else 0)
    if hour > 23 or minute > 59:  # noqa: PLR2004 - the last hour and minute there are
        return None
    return f"{hour:02}:{minute:02}"


def people_in(number: str) -> int | None:
    """Return a head count, or None unless it is 1 to 99."""
    count = int(number)
    return count if 1 <= count <= MOST_PEOPLE else None


def _digits(code: str) -> str:
    """Leave only the digits of a code."""
    return re.sub(r"\D", "", code)
