"""How the pack says times, lengths of time and numbers of divers."""

from __future__ import annotations

from datetime import datetime, timedelta

from service.domain.dive.state import Dive
from service.domain.local_time import say

_HOUR_MIN = 60


def at(dive: Dive, when: datetime, now: datetime) -> str:
    """A time at the site, with its day when that is not today."""
    return say(when, dive.plan.site.zone, now)


def ago(when: datetime, now: datetime) -> str:
    """How far a time is from now: "12 min ago", "in 1 h 10 min"."""
    length = span(abs(now - when))
    return f"{length} ago" if when <= now else f"in {length}"


def span(length: timedelta) -> str:
    """A length of time, rounded down to the minute."""
    total = int(length.total_seconds() // 60)
    hours, rest = divmod(total, _HOUR_MIN)
    if hours:
        return f"{hours} h {rest} min"
    return f"{rest} min" if rest else "less than a minute"


def heads(count: int) -> str:
    """How many divers."""
    return "1 diver" if count == 1 else f"{count} divers"


def quoted(words: str) -> str:
    """Somebody's own words, on one line."""
    return f"\N{LEFT DOUBLE QUOTATION MARK}{' '.join(words.split())}\N{RIGHT DOUBLE QUOTATION MARK}"
