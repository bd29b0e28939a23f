"""What is asked of the log in the address of its page, or in a form: read, and said where it cannot be."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, time, timedelta
from typing import Any, Final
from urllib.parse import urlencode
from zoneinfo import ZoneInfo

from service.domain import codes
from service.store.codec import stamp
from service.store.log_search import Place, Wanted

WORDS_MAX: Final = 8
LONGEST: Final = 100
KINDS_MAX: Final = 60
_PLACE: Final = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{6})Z\.(\d{1,18})")
_ODD: Final = re.compile(r"[^a-z_:]")


@dataclass(frozen=True, slots=True)
class Query:
    """What was typed, as it was typed, and what it means. `errors` are by field."""

    typed: Mapping[str, str]
    kinds: tuple[str, ...]
    wanted: Wanted
    reference: str | None
    after: Place | None
    errors: Mapping[str, str] = field(default_factory=dict)

    @property
    def narrows(self) -> bool:
        """Whether anything was asked for at all."""
        return bool(self.kinds or any(self.typed.values()))

    def whole_period(self) -> Wanted:
        """The period alone, of all that was asked."""
        return Wanted(self.wanted.club_id, self.wanted.since, self.wanted.until)

    def address(self, path: str, after: Place | None = None) -> str:
        """The same question, from that place on."""
        asked = [(name, value) for name, value in self.typed.items() if value]
        asked += [("kind", kind) for kind in self.kinds]
        if after is not None:
            asked.append(("after", f"{stamp(after.at)}.{after.id}"))
        return f"{path}?{urlencode(asked)}" if asked else path


def read_query(club_id: str, zone: str, given: Any) -> Query:
    """What a form of the log asks: `since`, `until`, `kind` (several), `who`, `dive`, `words`, `after`. Total."""
    typed = {name: str(given.get(name, "")).strip()[:LONGEST] for name in ("since", "until", "who", "dive", "words")}
    errors: dict[str, str] = {}
    since, until = (_day(typed, name, zone, errors) for name in ("since", "until"))
    if since is not None and until is not None and until < since:
        errors["until"] = "The last day is before the first. Change one of them."
    reference = codes.read_reference(typed["dive"]) if typed["dive"] else None
    if typed["dive"] and reference is None:
        errors["dive"] = "That is no reference: it is a digit and a letter, as in our texts."
    kinds = tuple(kind for kind in given.getlist("kind")[:KINDS_MAX] if kind and not _ODD.search(kind))
    wanted = Wanted(
        club_id=club_id,
        since=since,
        until=None if until is None else _next_day(until, zone),
        kinds=kinds,
        actor=typed["who"],
        words=tuple(typed["words"].split()[:WORDS_MAX]),
    )
    return Query(typed, kinds, wanted, reference, _after(str(given.get("after", ""))), errors)


def _day(typed: Mapping[str, str], name: str, zone: str, errors: dict[str, str]) -> datetime | None:
    """The beginning of a day at the club, in UTC."""
    if not typed[name]:
        return None
    try:
        day = date.fromisoformat(typed[name])
        return datetime.combine(day, time(), ZoneInfo(zone)).astimezone(UTC)
    except (ValueError, OverflowError):
        errors[name] = "That is no day. Write it like 2027-06-01."
        return None


def _next_day(begins: datetime, zone: str) -> datetime:
    day = begins.astimezone(ZoneInfo(zone)).date()
    try:
        return datetime.combine(day + timedelta(days=1), time(), ZoneInfo(zone)).astimezone(UTC)
    except OverflowError:
        return begins


def _after(given: str) -> Place | None:
    found = _PLACE.fullmatch(given)
    if found is None:
        return None
    try:
        return Place(datetime.fromisoformat(found[1]).replace(tzinfo=UTC), int(found[2]))
    except ValueError:
        return None
