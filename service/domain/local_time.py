"""Wall-clock times at a site: reading what people write and writing what people read.

Zones are IANA names; the rules for gaps and overlaps of summer time are those of PEP 495 (`fold`).
"""

from __future__ import annotations

import re
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from babel.dates import format_date

from service.domain.people import ENGLISH

UTC = ZoneInfo("UTC")
# By the field symbols of Unicode's UTS 35; German numbers its days with a full stop.
_DAY, _DAYS = "EEE d MMM", {"de": "EEE d. MMM"}
_SPOKEN_DAY, _SPOKEN_DAYS = "EEEE d MMMM", {"de": "EEEE, d. MMMM,", "es": "EEEE d 'de' MMMM"}
_HHMM = re.compile(r"(?:[01][0-9]|2[0-3]):[0-5][0-9]")


class LocalTimeError(ValueError):
    """A wall-clock time that is no single instant; the message says what to write instead."""


class SkippedTimeError(LocalTimeError):
    """One that does not exist, as the clocks go forward over it."""


class RepeatedTimeError(LocalTimeError):
    """One that comes twice, as the clocks go back."""


def is_zone(name: str) -> bool:
    """Whether `name` is an IANA zone that this machine knows."""
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True


def instant(day: date, clock: time, zone: str) -> datetime:
    """The UTC instant of a wall-clock time; raises LocalTimeError where it does not exist or exists twice."""
    written = f"{day.isoformat()} {clock:%H:%M}"
    wall = datetime.combine(day, clock.replace(tzinfo=None))
    early = wall.replace(tzinfo=ZoneInfo(zone), fold=0)
    late = wall.replace(tzinfo=ZoneInfo(zone), fold=1)
    if early.utcoffset() == late.utcoffset():
        return early.astimezone(UTC)
    if early.astimezone(UTC).astimezone(ZoneInfo(zone)).replace(tzinfo=None) != wall:
        raise SkippedTimeError(f"{written} does not exist: the clocks go forward over it. Choose a later time.")
    raise RepeatedTimeError(f"{written} comes twice: the clocks go back. Choose a time outside that hour.")


def next_instant(hhmm: str, zone: str, after: datetime) -> datetime:
    """The first instant after `after` at which the site's clock shows `hhmm` ("HH:MM").

    Of a time that still comes twice the earlier is taken: a clock in doubt rings early. Raises LocalTimeError
    for what is no time of day, and for a time that the clocks are going to leave out.
    """
    return next_instants(hhmm, zone, after)[0]


def next_instants(hhmm: str, zone: str, after: datetime) -> list[datetime]:
    """The instants after `after`, until the end of the next day there, at which the site's clock shows `hhmm`.

    They are in order, and one at least. Raises LocalTimeError as `next_instant` does.
    """
    if not _HHMM.fullmatch(hhmm):
        raise LocalTimeError(f"{hhmm} is no time of day. Write it like 14:30.")
    site = ZoneInfo(zone)
    now = after.astimezone(site).replace(tzinfo=None)
    coming: list[datetime] = []
    for day in (now.date(), now.date() + timedelta(days=1)):
        wall = datetime.combine(day, time.fromisoformat(hhmm))
        either = {wall.replace(tzinfo=site, fold=fold).astimezone(UTC) for fold in (0, 1)}
        shown = {at for at in either if at.astimezone(site).replace(tzinfo=None) == wall}
        coming += [at for at in shown if at > after]
        if not shown and not coming and wall > now:
            raise SkippedTimeError(f"{hhmm} does not exist that night: the clocks go forward. Choose a later time.")
    return sorted(coming)


def last_instant(hhmm: str, zone: str, before: datetime) -> datetime:
    """The last instant not after `before` at which the site's clock showed `hhmm` ("HH:MM").

    Of a time that came twice the later is taken. Raises LocalTimeError for what is no time of day, and for a time
    that the clocks left out.
    """
    if not _HHMM.fullmatch(hhmm):
        raise LocalTimeError(f"{hhmm} is no time of day. Write it like 14:30.")
    site = ZoneInfo(zone)
    now = before.astimezone(site).replace(tzinfo=None)
    been: list[datetime] = []
    for day in (now.date(), now.date() - timedelta(days=1)):
        wall = datetime.combine(day, time.fromisoformat(hhmm))
        either = {wall.replace(tzinfo=site, fold=fold).astimezone(UTC) for fold in (0, 1)}
        shown = {at for at in either if at.astimezone(site).replace(tzinfo=None) == wall}
        if not shown and not been and wall <= now:
            raise SkippedTimeError(f"{hhmm} did not exist that night: the clocks went forward. Give another time.")
        been += [at for at in shown if at <= before]
    return max(been)


@lru_cache(maxsize=10_000)
def say(at: datetime, zone: str, now: datetime, language: str = ENGLISH, *, aloud: bool = False) -> str:
    """A time for a text: "14:05", or "Tue 1 Jun 14:05" when it is not today at the site.

    24-hour in every language; the names of days and months are those of the CLDR. In the hour that comes twice, where
    the clocks go back, with the abbreviation that says which of them it is: "01:30 BST". `aloud`: day and month are
    written out, for a voice that reads what it is given.
    """
    local, today = at.astimezone(ZoneInfo(zone)), now.astimezone(ZoneInfo(zone)).date()
    clock = f"{local:%H:%M %Z}" if _comes_twice(local) else f"{local:%H:%M}"
    if local.date() == today:
        return clock
    form = _SPOKEN_DAYS.get(language, _SPOKEN_DAY) if aloud else _DAYS.get(language, _DAY)
    day = format_date(local, form, locale=language)
    return f"{day} {clock}"


def _comes_twice(local: datetime) -> bool:
    return local.replace(fold=1 - local.fold).utcoffset() != local.utcoffset()


def place_of(zone: str) -> str:
    """The place that a zone is named after, as people say whose time it is: "Buenos Aires"."""
    return zone.rpartition("/")[2].replace("_", " ")


@lru_cache(maxsize=10_000)  # asked for every message of a dive, about the same due out
def shows_same(zone: str, others: tuple[str, ...], at: datetime) -> bool:
    """Whether clocks in one of the other zones show the same as at the site; names that are no zone count for none."""
    ours = at.astimezone(ZoneInfo(zone)).utcoffset()
    return any(at.astimezone(ZoneInfo(other)).utcoffset() == ours for other in others if is_zone(other))


def minutes(length: timedelta) -> int:
    """Whole minutes of a length of time, rounded down."""
    return int(length.total_seconds() // 60)
