"""The water board: who is in the water now, the gravest first, with what is known of each and who was told.

Nothing here decides anything. The board looks; clocks and couriers run whether anybody looks or not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from enum import StrEnum
from typing import Final
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.dive.state import ALARMED, REOPEN_WITHIN, Told
from service.domain.people import Recipient
from service.operations.service import Service
from service.store import board as store
from service.store.board import BoardRow, Glance, Sent

SHOWN_MAX: Final = 500
CLOSED_FOR: Final = REOPEN_WITHIN  # as long as an alarm can open a dive again
ASKED_LATE: Final = timedelta(hours=4)  # after its time in a plan may be asked about so late, whatever the club sets


class Reach(StrEnum):
    """Whether what we send reaches somebody, as far as we know."""

    REACHED = "reached"  # a receipt says so, or they answered
    UNCONFIRMED = "unconfirmed"  # a gateway took it, and no receipt has come
    ON_ITS_WAY = "on its way"
    UNTRIED = "untried"  # nothing was sent to them yet
    FAILS = "fails"
    OPTED_OUT = "opted out"
    DECLINED = "declined"
    NO_PHONE = "no phone"


LOST: Final = (Reach.FAILS, Reach.OPTED_OUT, Reach.DECLINED)


@dataclass(frozen=True, slots=True)
class Ashore:
    """A shore contact of a dive: when the alarm went to them, when they answered, and whether they can be reached."""

    name: str
    told_at: datetime | None
    answered_at: datetime | None
    reach: Reach


@dataclass(frozen=True, slots=True)
class Line:
    """One dive on the board. `officer_answered_at`: when somebody of the club said at the desk that they act.

    `held_until_at`: after a restore no contact is alerted by the clock before that.
    """

    dive: Dive
    ashore: tuple[Ashore, ...]
    phones: tuple[tuple[str, Reach], ...]
    officer_answered_at: datetime | None
    held_until_at: datetime | None

    @property
    def answered(self) -> bool:
        """Whether somebody has said that they act."""
        return bool(self.dive.acknowledged)

    @property
    def cries(self) -> bool:
        """Whether this alarm still waits for somebody: to answer it, and in distress, to call rescue."""
        if self.dive.phase is Phase.DISTRESS:
            return self.dive.called_at is None
        return self.dive.phase is Phase.ALERT and not self.answered and self.dive.called_at is None


@dataclass(frozen=True, slots=True)
class Unread:
    """A dive whose state cannot be read, by its plain columns: it is an alarm in itself."""

    dive_id: str
    reference: str
    phase: str
    site_name: str
    lead_name: str
    head_count: int
    due_out_at: datetime | None


@dataclass(frozen=True, slots=True)
class Board:
    """What is on the board at `now`. Drills are in a part of their own, whatever their phase.

    `trouble` is distress, alert and uncertainty, `water` those who are not overdue, `planned` the plans of today that
    nobody has started. `left_out`: how many more there are than a board shows; they are the least grave.
    """

    now: datetime
    zone: str
    unread: tuple[Unread, ...]
    trouble: tuple[Line, ...]
    water: tuple[Line, ...]
    planned: tuple[Line, ...]
    drills: tuple[Line, ...]
    closed: tuple[Line, ...]
    left_out: int

    @property
    def divers(self) -> int:
        """How many are in the water, drills left out, by the words of those who went in."""
        return sum(line.dive.head_count - (line.dive.partly_out or 0) for line in self.trouble + self.water)


def glance(service: Service, club_id: str) -> Glance:
    """Whether the board would say something else than at another glance; one statement."""
    since = service.clock.now() - CLOSED_FOR
    return service.read(lambda session: store.glance(session, club_id, since))


def board(service: Service, club_id: str, zone: str) -> Board:
    """The board of a club now, in three statements however many dives there are. `zone` says what today is."""
    now = service.clock.now()
    today = now.astimezone(ZoneInfo(zone)).replace(hour=0, minute=0, second=0, microsecond=0)
    began, over = today.astimezone(UTC), (today + timedelta(days=1)).astimezone(UTC)

    def look(session: Session) -> Board:
        found = store.rows(
            session,
            club_id,
            closed_since=now - CLOSED_FOR,
            day_began=began,
            asked_before=over + ASKED_LATE,
            most=SHOWN_MAX + 1,
        )
        sent, deaf = store.sent(session, club_id), store.opted_out(session, club_id)
        lines = [line_of(row.dive, sent, deaf, now) for row in found[:SHOWN_MAX] if row.dive is not None]
        unread = tuple(_unread(row) for row in found if row.dive is None and row.phase != Phase.CLOSED)
        left_out = max(len(found) - SHOWN_MAX, 0)
        return _sorted(lines, unread, now, zone, over, left_out)

    return service.read(look)


def _unread(row: BoardRow) -> Unread:
    return Unread(row.dive_id, row.reference, row.phase, row.site_name, row.lead_name, row.head_count, row.due_out_at)


def _sorted(
    lines: Sequence[Line], unread: tuple[Unread, ...], now: datetime, zone: str, over: datetime, left_out: int
) -> Board:
    real = [line for line in lines if not line.dive.drill]
    # The phase lags where a sweep is late: who is past due out is overdue, whatever the row says yet.
    late = [line for line in real if is_trouble(line.dive, now)]
    water = [line for line in real if line.dive.phase is Phase.IN_WATER and not is_trouble(line.dive, now)]
    planned = [line for line in real if line.dive.phase is Phase.FILED and _is_today(line.dive, over)]
    return Board(
        now=now,
        zone=zone,
        unread=unread,
        trouble=tuple(sorted(late, key=lambda line: _gravity(line.dive))),
        water=tuple(sorted(water, key=lambda line: line.dive.due_out_at or now)),
        planned=tuple(sorted(planned, key=lambda line: line.dive.plan.time_in_at or line.dive.filed_at)),
        drills=tuple(line for line in lines if line.dive.drill and _is_shown_drill(line.dive, over)),
        closed=tuple(line for line in real if line.dive.phase is Phase.CLOSED),
        left_out=left_out,
    )


def is_trouble(dive: Dive, now: datetime) -> bool:
    """Whether somebody should look at this dive before any other: an alarm is up, or the party is overdue."""
    if dive.phase in (*ALARMED, Phase.UNCERTAINTY):
        return True
    return dive.phase is Phase.IN_WATER and dive.due_out_at is not None and dive.due_out_at <= now


def _gravity(dive: Dive) -> tuple[int, datetime]:
    rank = {Phase.DISTRESS: 0, Phase.ALERT: 1}.get(dive.phase, 2)
    return rank, dive.due_out_at or dive.alarm_at or dive.filed_at


def _is_today(dive: Dive, over: datetime) -> bool:
    return dive.plan.time_in_at is None or dive.plan.time_in_at < over


def _is_shown_drill(dive: Dive, over: datetime) -> bool:
    return dive.phase is not Phase.CLOSED and (dive.phase is not Phase.FILED or _is_today(dive, over))


def line_of(dive: Dive, sent: Mapping[tuple[str, str], Sent], deaf: frozenset[tuple[str, str]], now: datetime) -> Line:
    """A dive with who was told and can be reached; `sent` and `deaf` as `service.store.board` gives them."""
    told, answered = _by_key(dive.alerted), _answered(dive)

    def reach(person: Recipient) -> Reach:
        return _reach(dive, person, sent.get((dive.id, person.key)), is_deaf=(dive.id, person.key) in deaf)

    officers = [told for told in dive.acknowledged if dive.person(told.key) is None]
    held = dive.waiting is not None and now < dive.waiting.until_at and not dive.alarmed
    return Line(
        dive=dive,
        ashore=tuple(Ashore(c.name, told.get(c.key), answered.get(c.key), reach(c)) for c in dive.contacts),
        phones=tuple((diver.name, reach(diver)) for diver in dive.divers),
        officer_answered_at=officers[0].at if officers else None,
        held_until_at=dive.waiting.until_at if held and dive.waiting is not None else None,
    )


def _answered(dive: Dive) -> dict[str, datetime]:
    """When each first said that they act, that they have called rescue, or that they are there: an OK says no more."""
    said = [(one.key, one.at) for one in (*dive.acknowledged, *dive.on_scene)]
    said += [(call.by.own_key, call.at) for call in dive.rescue_calls]
    return dict(sorted(said, key=lambda one: one[1], reverse=True))  # of several the first is put in last, and stands


def _by_key(told: Sequence[Told]) -> dict[str, datetime]:
    return {one.key: one.at for one in told}


def _reach(dive: Dive, person: Recipient, sent: Sent | None, *, is_deaf: bool) -> Reach:
    """The worst that is known counts, but for a word of theirs, which undoes it in the dive itself."""
    if person.phone is None:
        return Reach.NO_PHONE
    if is_deaf:
        return Reach.OPTED_OUT
    if dive.declined_by(person.key) is not None:
        return Reach.DECLINED
    if person.key in dive.unreachable:
        return Reach.FAILS
    if any(told.key == person.key for told in dive.acknowledged):
        return Reach.REACHED
    return _by_receipts(sent)


def _by_receipts(sent: Sent | None) -> Reach:
    if sent is None:
        return Reach.UNTRIED
    for count, reach in (
        (sent.delivered, Reach.REACHED),
        (sent.handed, Reach.UNCONFIRMED),
        (sent.waiting, Reach.ON_ITS_WAY),
        (sent.failed, Reach.FAILS),
    ):
        if count:
            return reach
    return Reach.UNTRIED
