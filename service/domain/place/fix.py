"""Fixes: positions of the party with their time, source and accuracy, and which of them is the last known position."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from service.domain.place.geodesy import distance_m
from service.domain.place.position import Position

FAR_M = 200_000  # farther from the site than any shore diver gets: a slip of the pen, not a place to search
OFF_BY_MOST = timedelta(days=366)  # farther from now a time is no slip: it can be that no clock of a site shows it
CLOCKS_DIFFER = timedelta(minutes=2)  # a phone's clock may be ahead of ours by so much and its fix still be good
BEFORE_START = timedelta(hours=1)  # an older fix says where they came from, not where they went in
SAME_MOMENT = timedelta(minutes=3)  # of two fixes this near in time, the more exact one says where they are
UNSAID_ACCURACY_M = 100.0
KEPT_MAX = 20


class Source(StrEnum):
    """How a position came to be known."""

    ENTRY = "entry"  # where the plan says that they went in
    TEXT = "text"
    BROWSER = "browser"  # the phone's own positioning, from the diver's page
    TYPED = "typed"  # typed on the diver's page: from a watch, a chart, another phone
    CONTACT = "contact"  # somebody ashore who saw them, or their light or buoy
    SCRIPT = "script"  # through the API


class Doubt(StrEnum):
    """Why a fix is kept and yet not used as the last known position."""

    FAR = "far"
    FUTURE = "future"
    EARLY = "early"  # found only once it is known when they went in, so that no event has it


@dataclass(frozen=True, slots=True)
class Fix:
    """A position of the party: `at` is when they were there, `by` whose word it is; accuracy in metres."""

    position: Position
    at: datetime
    by: str
    source: Source
    accuracy_m: float | None = None
    doubt: Doubt | None = None


def doubt_of(position: Position, at: datetime, site: Position | None, now: datetime) -> Doubt | None:
    """Why this position cannot be the party's, as far as one can tell from the site and the clock."""
    if at > now + CLOCKS_DIFFER:
        return Doubt.FUTURE
    if site is not None and distance_m(site, position) > FAR_M:
        return Doubt.FAR
    return None


def last_known(fixes: Sequence[Fix]) -> Fix | None:
    """The latest fix without a doubt; of those of about the same moment, the most exact. None without any.

    A fix that says nothing of its accuracy counts as good to a hundred metres (common practice, no source): better than
    a phone that knows only its mast, worse than one that sees the sky.
    """
    good = [fix for fix in fixes if fix.doubt is None]
    if not good:
        return None
    latest = max(fix.at for fix in good)
    recent = [fix for fix in good if latest - fix.at <= SAME_MOMENT]
    return min(recent, key=lambda fix: (_inaccuracy_m(fix), latest - fix.at))


def kept(fixes: Sequence[Fix]) -> tuple[Fix, ...]:
    """The fixes that a dive carries along: the newest, and the last known one whatever came after it."""
    if len(fixes) <= KEPT_MAX:
        return tuple(fixes)
    best, newest = last_known(fixes), tuple(fixes[-KEPT_MAX:])
    return newest if best is None or best in newest else (best, *newest[1:])


def _inaccuracy_m(fix: Fix) -> float:
    return UNSAID_ACCURACY_M if fix.accuracy_m is None else fix.accuracy_m
