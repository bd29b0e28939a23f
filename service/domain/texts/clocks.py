"""Times of day as people in the five languages of ours write them, put as `10:00`: `10h00`, `10 Uhr`, `alle ore 10`."""

from __future__ import annotations

import re
from typing import Final

from service.domain.texts.numbers import time_of

EARLIEST_BY_THE_HOUR: Final = 7
"""Up to six o'clock `2h` or `2h30` is a run time as well, and `3 Uhr` may be in the afternoon: that is asked about."""

_OCLOCK = r"(?:h|hs|uhr|heures?|horas?|oclock)"
_MINUTE_UNIT = r" ?m(?:in\w*)?(?!\S)"
_BY_THE_HOUR = re.compile(
    rf"(?<!\S)(?:ore (?P<ora>\d{{1,2}})|(?P<hour>\d{{1,2}}) ?{_OCLOCK})"
    rf"(?: ?(?P<minute>[0-5]\d)(?!{_MINUTE_UNIT}))?(?!\S)"
)
_FULL = r"(?:\d{1,2}[:.]\d{2}|\d{4})"
_UNIT_BEHIND = re.compile(rf"(?<!\S)({_FULL}) ?(?:{_OCLOCK}|hrs)(?!\S)")
_WORD_BEFORE = re.compile(rf"(?<!\S)(?:alle ore|alle|ore|a las|las|a|à|um) (?={_FULL}(?!\S))")


def with_plain_clocks(words: str) -> str:
    """The words with each time of day in one form.

    What stands behind the hour, such as the 30 of `10 Uhr 30`, is its minutes: whoever meant a run time of so many is
    asked, since the plan then has none. What may be a length is left as it is.
    """
    words = _BY_THE_HOUR.sub(_plain, words)
    words = _UNIT_BEHIND.sub(r"\1", words)
    return _WORD_BEFORE.sub("", words)


def _plain(match: re.Match[str]) -> str:
    hour = match["ora"] or match["hour"]
    if int(hour) < EARLIEST_BY_THE_HOUR and not hour.startswith("0"):
        return match[0]
    return time_of(f"{hour}:{match['minute'] or '00'}") or match[0]
