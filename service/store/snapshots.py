"""What the keeper's snapshot takes from the database: the open dives that have changed, and whom clubs would tell.

Plain reads, cheap where nothing changed: which dives are open at which version comes from an index, and only what has
another version is read whole.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, fields, replace
from datetime import datetime

from sqlalchemy import select, text
from sqlalchemy.orm import Session

from service.domain.people import ENGLISH
from service.store import reaches
from service.store.codec import UnreadableError, load_dive
from service.store.opt_outs import opted_out
from service.store.outbox import ALARMS_TO
from service.store.plain_columns import RowFacts, row_facts
from service.store.tables import AdminRow, ClubRow, DivePhoneRow, DiveRow, MessageRow
from service.store.tables.message import WAITING

AT_ONCE = 500
WAITING_MAX = 1_000


@dataclass(frozen=True, slots=True)
class OpenDive:
    """A dive that is not over, or was not two hours ago.

    Its whole state as JSON, and its phones to which nothing may go.
    Of one that cannot be read also what its plain columns say, and when somebody is to be told of it.
    """

    id: str
    version: int
    club_id: str
    receiving_number: str
    state: str
    opted_out: tuple[str, ...]
    facts: RowFacts | None = None
    due_at: datetime | None = None
    closed_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class AdminToTell:
    """An admin with a phone."""

    id: str
    name: str
    phone: str


@dataclass(frozen=True, slots=True)
class ClubToTell:
    """A club, and its admins, those longest in office first; by number and country what is texted to it is read.

    `opted_out`: phones of admins to which nothing may go. `rescue_call` and `language` are as the club has set them.
    The last five are not in a snapshot that an older version wrote.
    """

    id: str
    name: str
    admins: tuple[AdminToTell, ...]
    receiving_number: str = ""
    country: str | None = None
    opted_out: tuple[str, ...] = ()
    rescue_call: str = ""
    language: str = ENGLISH


@dataclass(frozen=True, slots=True)
class WaitingAlarm:
    """A distress or alert that no gateway has taken yet, as in the outbox; `kind` is its priority."""

    id: str
    club_id: str
    dive_id: str
    person_key: str
    name: str
    phone: str
    email: str | None
    channel: str
    language: str
    kind: int
    rank: int
    step: str
    subject: str | None
    body: str
    segments: int
    queued_at: datetime
    due_at: datetime


def waiting_alarms(session: Session) -> tuple[WaitingAlarm, ...]:
    """The alarms on their way, the first that were queued first; a thousand at most."""
    row = MessageRow
    columns = [row.priority if field.name == "kind" else getattr(row, field.name) for field in fields(WaitingAlarm)]
    waits = (text(WAITING), row.priority <= ALARMS_TO, row.dive_id.is_not(None))
    found = select(*columns).where(*waits).order_by(row.queued_at, row.priority, row.rank).limit(WAITING_MAX)
    return tuple(WaitingAlarm(*values) for values in session.execute(found))


def versions(session: Session, closed_since: datetime) -> dict[str, int]:
    """Every dive that is not closed, or was not before that instant, and its version.

    Also one for which the clock has nothing more to do: once rescue was called nothing of a dive falls due, and yet its
    end must be passed on. By club, since what is closed is the most of all and only the index of each club passes it
    by.
    """
    row = DiveRow
    clubs = select(ClubRow.id)
    found: dict[str, int] = {}
    for which in (row.closed_at.is_(None), row.closed_at > closed_since):  # each by the index
        found |= dict(iter(session.execute(select(row.id, row.version).where(row.club_id.in_(clubs), which))))
    return found


def set_back(session: Session, known: Mapping[str, int], now: Mapping[str, int]) -> list[str]:
    """Which of the dives that were known at these versions the database has at an earlier one, or not at all.

    `now` are those that are known by it. Versions only rise, and dives stay: where that is not so, it was set back.
    """
    row = DiveRow
    found = dict(now)
    over = [dive_id for dive_id in known if dive_id not in now]
    for begin in range(0, len(over), AT_ONCE):
        some = select(row.id, row.version).where(row.id.in_(over[begin : begin + AT_ONCE]))
        found |= dict(iter(session.execute(some)))
    return [dive_id for dive_id, version in known.items() if found.get(dive_id, 0) < version]


def open_dives(session: Session, ids: Collection[str]) -> Iterator[OpenDive]:
    """These dives."""
    row = DiveRow
    wanted = list(ids)
    for begin in range(0, len(wanted), AT_ONCE):
        some = wanted[begin : begin + AT_ONCE]
        deaf = _opted_out(session, some)
        columns = (row.id, row.version, row.club_id, row.receiving_number, row.state, row.next_due_at, row.closed_at)
        found = session.execute(select(*columns).where(row.id.in_(some))).all()
        for dive_id, version, club_id, number, state, due_at, closed_at in found:
            out = tuple(sorted(deaf.get(dive_id, ())))
            one = OpenDive(dive_id, version, club_id, number, state, out, closed_at=closed_at)
            yield one if _is_read(state) else replace(one, facts=_facts(session, dive_id), due_at=due_at)


def _is_read(state: str) -> bool:
    try:
        load_dive(state)
    except UnreadableError:
        return False
    return True


def _facts(session: Session, dive_id: str) -> RowFacts | None:
    """The plain columns, without the contacts who said that they will be none."""
    facts = row_facts(session, dive_id)
    if facts is None:
        return None
    known = reaches.find(session, facts.club_id, [one.phone for one in facts.phones])
    declined = {phone for phone, reach in known.items() if reach.declined}
    wanted = [one for one in facts.phones if one.role != "contact" or one.phone not in declined]
    return replace(facts, phones=tuple(wanted))


def clubs_to_tell(session: Session) -> tuple[ClubToTell, ...]:
    """All clubs and their admins."""
    row = AdminRow
    told: dict[str, list[AdminToTell]] = {}
    found = select(row.club_id, row.id, row.name, row.phone).where(row.disabled_at.is_(None), row.phone.is_not(None))
    for club_id, admin_id, name, phone in session.execute(found.order_by(row.created_at, row.id)):
        told.setdefault(club_id, []).append(AdminToTell(admin_id, name, phone or ""))
    of = ClubRow
    columns = (of.id, of.name, of.receiving_number, of.country, of.rescue_call, of.settings)
    clubs = session.execute(select(*columns).order_by(of.id)).all()
    out = opted_out(session, [(club.receiving_number, one.phone) for club in clubs for one in told.get(club.id, ())])
    return tuple(
        ClubToTell(
            club.id,
            club.name,
            tuple(told.get(club.id, ())),
            club.receiving_number,
            club.country,
            tuple(sorted({one.phone for one in told.get(club.id, ()) if (club.receiving_number, one.phone) in out})),
            club.rescue_call,
            str(club.settings.get("language", ENGLISH)),
        )
        for club in clubs
    )


def _opted_out(session: Session, ids: Collection[str]) -> dict[str, set[str]]:
    phone = DivePhoneRow
    found = session.execute(
        select(phone.dive_id, phone.receiving_number, phone.phone).where(phone.dive_id.in_(ids))
    ).all()
    out = opted_out(session, [(number, person) for _, number, person in found])
    deaf: dict[str, set[str]] = {}
    for dive_id, number, person in found:
        if (number, person) in out:
            deaf.setdefault(dive_id, set()).add(person)
    return deaf
