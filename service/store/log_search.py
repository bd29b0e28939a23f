"""Looking through the log of one club: its own chain and the chains of its dives, the newest entry first.

Pages are cut by the instant and number of their last entry, never by counting, so that a page costs the same however
far back it is. Period, kinds and dive are read off an index. Words and names stand in no index: entries are looked
through one after the other, so many at most, and how far is said.
"""

from __future__ import annotations

import json
from collections.abc import Collection, Iterator
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Row, Select, and_, func, or_, select
from sqlalchemy.orm import Session

from service.domain.dive.state import Dive
from service.store import log
from service.store.codec import UnreadableError, load_dive
from service.store.log_reading import Entry, entry_of, selected
from service.store.log_reading import exported as as_exported
from service.store.tables import DiveRow, LogEntryRow

PAGE: Final = 50
LOOKED_THROUGH_MAX: Final = 5_000  # entries for one page, where words or a name are looked for
DIVES_MAX: Final = 50  # dives with one reference, the latest filed
DIVES_BLOCK: Final = 2_000
_BLOCK: Final = 500


@dataclass(frozen=True, slots=True)
class Place:
    """Where a page ends: the instant and the row's number of its last entry."""

    at: datetime
    id: int


@dataclass(frozen=True, slots=True)
class Wanted:
    """What is looked for; what is None or empty does not matter. `until` itself is left out.

    `words` must all be in an entry's kind, actor or detail, `actor` in its actor, in whatever case.
    """

    club_id: str
    since: datetime | None = None
    until: datetime | None = None
    kinds: tuple[str, ...] = ()
    actor: str = ""
    words: tuple[str, ...] = ()
    dive_ids: tuple[str, ...] | None = None

    @property
    def is_read_through(self) -> bool:
        """Whether entries have to be looked through one by one."""
        return bool(self.actor or self.words)


@dataclass(frozen=True, slots=True)
class Page:
    """Entries, the newest first; where the next page begins, None at the end.

    `looked_through`: how many were looked at where each had to be; `cut` where that was as many as are allowed.
    """

    entries: tuple[Entry, ...]
    after: Place | None
    looked_through: int
    cut: bool


def page(session: Session, wanted: Wanted, after: Place | None = None) -> Page:
    """The next entries behind a place, or the newest. Not for what has to be read through."""
    found = session.execute(_statement(wanted, after).limit(PAGE + 1)).all()
    shown = found[:PAGE]
    more = Place(shown[-1].at, shown[-1].id) if len(found) > PAGE else None
    return Page(tuple(map(entry_of, shown)), more, 0, cut=False)


def read_on(session: Session, wanted: Wanted, so_far: Page | None, after: Place | None) -> Page:
    """Read through the next block for a page, from a place on; done once the page is full, cut, or at the end.

    A block is read in a moment: on SQLite nobody commits while it is.
    """
    entries, looked = ([], 0) if so_far is None else ([*so_far.entries], so_far.looked_through)
    begin = after if so_far is None else so_far.after
    room = min(_BLOCK, LOOKED_THROUGH_MAX - looked)
    rows = session.execute(_statement(wanted, begin).limit(room + 1)).all()
    last = begin
    for place, row in enumerate(rows):
        if place == room or len(entries) == PAGE:
            return Page(tuple(entries), last, looked, cut=looked >= LOOKED_THROUGH_MAX)
        looked, last = looked + 1, Place(row.at, row.id)
        if _fits(row, wanted):
            entries.append(entry_of(row))
    return Page(tuple(entries), None, looked, cut=False)


def _fits(row: Row[*tuple[Any, ...]], wanted: Wanted) -> bool:
    """Whether the words are in it. In JSON a quotation mark or a backslash has one before it, so it is undone first."""
    actor = _plain(row.actor)
    if wanted.actor and wanted.actor.casefold() not in actor:
        return False
    kind = row.kind.replace("_", " ")
    whole = f"{kind}\n{row.kind}\n{actor}\n{_plain(row.detail)}" if wanted.words else ""
    return all(word.casefold() in whole for word in wanted.words)


def _plain(text: str | None) -> str:
    if text is None:
        return ""
    return (text if "\\" not in text else "\n".join(_leaves(json.loads(text)))).casefold()


def _leaves(value: object) -> Iterator[str]:
    if isinstance(value, dict):
        for inner in value.values():
            yield from _leaves(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _leaves(inner)
    else:
        yield str(value)


def _statement(wanted: Wanted, after: Place | None) -> Select[*tuple[Any, ...]]:
    row = LogEntryRow
    found = _narrowed(selected(), wanted)
    if after is not None:
        found = found.where(or_(row.at < after.at, and_(row.at == after.at, row.id < after.id)), row.at <= after.at)
    return found.order_by(row.at.desc(), row.id.desc())


def _narrowed(found: Select[*tuple[Any, ...]], wanted: Wanted) -> Select[*tuple[Any, ...]]:
    row = LogEntryRow
    found = found.where(row.club_id == wanted.club_id)
    if wanted.dive_ids is not None:
        found = found.where(row.chain.in_([log.dive_chain(dive_id) for dive_id in wanted.dive_ids]))
    if wanted.since is not None:
        found = found.where(row.at >= wanted.since)
    if wanted.until is not None:
        found = found.where(row.at < wanted.until)
    if wanted.kinds:
        found = found.where(row.kind.in_(wanted.kinds))
    return found


def dives_with(session: Session, club_id: str, reference: str) -> tuple[str, ...]:
    """The dives of a club with that reference, the latest filed first, so many at most."""
    row = DiveRow
    found = select(row.id).where(row.club_id == club_id, row.reference == reference)
    return tuple(session.execute(found.order_by(row.filed_at.desc(), row.id).limit(DIVES_MAX)).scalars())


@dataclass(frozen=True, slots=True)
class Named:
    """A dive as a list of entries needs it; `dive` is None where its state cannot be read."""

    reference: str
    site_name: str
    dive: Dive | None


def named(session: Session, club_id: str, dive_ids: Collection[str]) -> dict[str, Named]:
    """Those dives of the club, by id."""
    row = DiveRow
    found = select(row.id, row.reference, row.site_name, row.state).where(row.club_id == club_id, row.id.in_(dive_ids))
    return {one.id: Named(one.reference, one.site_name, _dive(one.state)) for one in session.execute(found)}


def _dive(state: str) -> Dive | None:
    try:
        return load_dive(state)
    except UnreadableError:
        return None


def count(session: Session, wanted: Wanted, most: int) -> int:
    """How many entries there are of that period, `most` where there are as many or more."""
    some = _narrowed(select(LogEntryRow.id), wanted).limit(most).subquery()
    return session.execute(select(func.count()).select_from(some)).scalar_one()


def exported(session: Session, wanted: Wanted, after: Place | None, limit: int) -> list[tuple[Place, dict[str, Any]]]:
    """The next entries, the oldest first, as an export has them, each with its place."""
    row = LogEntryRow
    found = _narrowed(selected(), replace(wanted, actor="", words=()))
    if after is not None:
        found = found.where(or_(row.at > after.at, and_(row.at == after.at, row.id > after.id)), row.at >= after.at)
    rows = session.execute(found.order_by(row.at, row.id).limit(limit)).all()
    return [(Place(one.at, one.id), as_exported(one)) for one in rows]


def count_dives(session: Session, club_id: str) -> int:
    """How many dives the club has."""
    return session.execute(select(func.count()).where(DiveRow.club_id == club_id)).scalar_one()


def dives_after(session: Session, club_id: str, after: tuple[datetime, str] | None) -> list[tuple[datetime, str]]:
    """When they were filed, and the ids, of the dives filed after that one, in that order: a block of them."""
    row = DiveRow
    found = select(row.filed_at, row.id).where(row.club_id == club_id)
    if after is not None:
        at, dive_id = after
        found = found.where(or_(row.filed_at > at, and_(row.filed_at == at, row.id > dive_id)), row.filed_at >= at)
    return [(at, dive_id) for at, dive_id in session.execute(found.order_by(row.filed_at, row.id).limit(DIVES_BLOCK))]


def kinds(session: Session, club_id: str) -> list[str]:
    """The kinds of which the club has an entry, found by stepping from one to the next in the index."""
    row = LogEntryRow
    found: list[str] = []
    while True:
        last = found[-1] if found else ""
        following = session.execute(
            select(row.kind).where(row.club_id == club_id, row.kind > last).order_by(row.kind).limit(1)
        ).scalar_one_or_none()
        if following is None:
            return found
        found.append(following)
