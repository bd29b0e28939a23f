"""Starts and plans: `IN LANTERN 50 P2`, `PLAN LANTERN 1000 50 P2 D18`."""

from __future__ import annotations

import math
import re
from dataclasses import replace

from service.domain.texts.clocks import with_plain_clocks
from service.domain.texts.days import take_day
from service.domain.texts.intent import Intent, Kind
from service.domain.texts.numbers import CODE, LENGTH, minutes_in, people_in, take_code, take_reference
from service.domain.texts.params import NO_SITE_ALONE, Parts, read_parts
from service.domain.texts.positions import Place, place_of
from service.domain.texts.table import any_of
from service.domain.texts.typed import Typed, typed

_MOST_TOKENS = 20
"""Words of a start with a position; longer texts are not one."""

_WHO = any_of(r"""
we are|we are all|i am|all|all of us|everyone|everyone is|everybody is
both|both of us|both are|we are both
(?:all )?(?P<n>\d{1,2})(?: divers| of us)?(?: are)?
""")
_IN = any_of(r"""
(?:in|into|entering|going into|getting into|going in|getting in) (?:the )?water
in|going in|getting in|entering|going under|going down|descending
(?:starting|started)(?: (?:the |our )?dive)?|dive (?:started|starting)
""")
_GOING_IN = re.compile(rf"(?P<we>{_WHO} )?(?P<in>{_IN})(?: (?P<tail>.+))?")
_SO_MANY = re.compile(r"(?:all )?(\d)|(both|all both|both of us)|all|all of us")
_RUN_TIME = re.compile(r"for |\d{2,3} [px] ?\d")
_NAMED = re.compile(rf"in (?:{CODE}|[2-9] ?[a-z]) \d")
_BARE_RUN_TIME = re.compile(rf"(?:in|going in) ({LENGTH})")
_PLAN = re.compile(r"(?:dive )?plan (.+)")


def read_start(text: Typed) -> Intent | None:
    """Read a start, with or without code, reference, head count, site, run time, depth and position."""
    if (found := _split_position(text.plain)) is None:
        return _read_start(text.words)
    head, place = found
    start = _read_start(typed(head).words)
    if start is None:
        return None
    return replace(start, position=place.position, accuracy_m=place.accuracy_m, short_code=place.short_code)


def bare_run_time(words: str) -> int | None:
    """The minutes of `IN 30`, which is no start: it may be about later as well."""
    match = _BARE_RUN_TIME.fullmatch(typed(words).words)
    return minutes_in(match[1]) if match else None


def read_plan(text: Typed) -> Intent | None:
    """Read a plan: site, time in, run time and head count are needed, the depth is not, nor is a day at its time."""
    match = _PLAN.fullmatch(text.words_with_now)
    if match is None:
        return None
    # As typed only where it is no plan otherwise: a site may be called ORE, or a run time be too long for any dive.
    plans = (_plan_of(words) for words in dict.fromkeys((with_plain_clocks(match[1]), match[1])))
    return next((plan for plan in plans if plan is not None), None)


def _plan_of(words: str) -> Intent | None:
    bare, day = take_day(words)
    parts = _whole(bare)
    if parts is None and day is not None:  # a site may have the name of a day
        parts, day = _whole(words), None
    if parts is None:
        return None
    return Intent(
        kind=Kind.PLAN,
        site=" ".join(parts.site),
        time_in=parts.clock or "now",
        minutes=parts.minutes,
        count=parts.count,
        depth_m=parts.depth_m,
        day=day,
    )


def _whole(words: str) -> Parts | None:
    """The parts of a plan, with all that it needs."""
    parts = read_parts(words)
    if parts is None or not (parts.site and (parts.clock or parts.now) and parts.minutes and parts.count):
        return None
    return parts


def _read_start(words: str) -> Intent | None:
    """Read a start without a position."""
    named = _NAMED.match(words) is not None
    words, reference = take_reference(words)
    words, code = take_code(words)
    match = _GOING_IN.fullmatch(words)
    if match is None:
        return None
    count = people_in(match["n"]) if match["n"] else 2 if "both" in (match["we"] or "") else None
    if match["n"] and count is None:
        return None
    start = Intent(kind=Kind.START, code=code, count=count, ref=reference)
    if match["tail"] is None:
        return start
    if match["in"] not in ("in", "going in"):
        return None
    return _with_tail(start, match["tail"], named=named and bool(code or reference))


def _with_tail(start: Intent, tail: str, *, named: bool) -> Intent | None:
    """Add what was typed after `in`; `named`: the dive stands right behind it."""
    if match := _SO_MANY.fullmatch(tail):
        count = people_in(match[1]) if match[1] else 2 if match[2] else start.count
        return replace(start, count=count) if count or not match[1] else None
    parts = read_parts(tail)
    if parts is None or parts.clock or (parts.count and start.count):
        return None
    if parts.minutes and not (parts.site or named or _RUN_TIME.match(tail)):
        # "in 50 min" is more likely to be about later than about the run time.
        return None
    if not (parts.minutes or parts.count) and (len(parts.site) > 1 or tail in NO_SITE_ALONE):
        # Two words after `in` may be anything; with a run time or a head count they are a site.
        return None
    return replace(
        start,
        site=" ".join(parts.site) or None,
        minutes=parts.minutes,
        count=parts.count or start.count,
        depth_m=parts.depth_m,
    )


def _split_position(plain: str) -> tuple[str, Place] | None:
    """Part a text that ends in a position into what stands before it and the position."""
    tokens = plain.split(" ")
    if len(tokens) > _MOST_TOKENS:
        return None
    for first in range(1, len(tokens)):
        place = place_of(" ".join(tokens[first:]), math.inf)  # a start is one however roughly it says where
        if place:
            return " ".join(tokens[:first]), place
    return None
