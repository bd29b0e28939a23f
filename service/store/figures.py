"""What the figures of a club are counted from: its real dives of a period, and their messages.

A dive counts on the day it was filed. Drills are in no figure, and the daily canary dive is one. Columns, kinds of
entries and times are enough, so that the figures outlive the erasure of personal detail.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final

from sqlalchemy import ColumnElement, and_, case, exists, false, func, literal, or_, select
from sqlalchemy.orm import Session

from service.domain.delivery import MessageState
from service.store.tables import AttemptRow, DiveRow, LogEntryRow, MessageRow

_RAISED: Final = "event:alarm_raised"
_KINDS: Final = (
    "event:started",
    "event:step_taken",
    "event:told_meanwhile",
    _RAISED,
    "event:acknowledged",
    "event:rescue_called",
    "event:called_taken_back",
    "event:closed",
)


@dataclass(frozen=True, slots=True)
class Cohort:
    """The real dives of a club, or of one of its sites, that were filed from `since` until before `until`.

    `now` is what an open dive's times are compared with.
    """

    club_id: str
    since: datetime
    until: datetime
    now: datetime
    site_id: str | None = None


@dataclass(frozen=True, slots=True)
class DiveCounts:
    """How many were filed, started, are open, and were past due out before they were out; and how they closed."""

    filed: int
    started: int
    open: int
    overdue: int
    closed: dict[str, int]


@dataclass(frozen=True, slots=True)
class AlarmedDive:
    """A dive that may have come to an alarm."""

    id: str
    filed_at: datetime
    due_out_at: datetime | None
    raise_by_at: datetime | None
    closed_at: datetime | None
    outcome: str | None


@dataclass(frozen=True, slots=True)
class Trace:
    """One entry of a dive's log, as far as it counts; what is not of its kind is None, and so is all once erased.

    `stands`: that rescue was called was taken back by one, and holds by the word of another.
    """

    at: datetime
    kind: str
    actor_role: str | None
    step: str | None
    assumed: bool | None
    stands: bool | None = None


@dataclass(frozen=True, slots=True)
class Sent:
    """How many messages of one way and gateway stand like that; `gateway` is None for what none took."""

    gateway: str | None
    channel: str
    state: str
    count: int


@dataclass(frozen=True, slots=True)
class Handed:
    """A message that a gateway took: seconds from due to taken, and from taken to its receipt, None without one."""

    kind: str
    channel: str
    gateway: str | None
    late_s: float
    receipt_s: float | None


def _of(cohort: Cohort) -> list[ColumnElement[bool]]:
    row = DiveRow
    wanted = [
        row.club_id == cohort.club_id,
        row.filed_at >= cohort.since,
        row.filed_at < cohort.until,
        row.drill == false(),
    ]
    return wanted if cohort.site_id is None else [*wanted, row.site_id == cohort.site_id]


def _number(held: ColumnElement[bool]) -> ColumnElement[Any]:
    """How many rows it holds for; a sum of nothing is 0."""
    return func.coalesce(func.sum(case((held, 1), else_=0)), 0)


def _is_overdue(cohort: Cohort) -> ColumnElement[bool]:
    return and_(DiveRow.due_out_at.is_not(None), DiveRow.due_out_at < func.coalesce(DiveRow.closed_at, _at(cohort.now)))


def _at(at: datetime) -> ColumnElement[datetime]:
    """An instant inside a statement, of the type of the columns of time."""
    return literal(at, DiveRow.filed_at.type)


def dive_counts(session: Session, cohort: Cohort) -> DiveCounts:
    """Counted by the database."""
    row = DiveRow
    filed, started, still_open, overdue = session.execute(
        select(
            func.count(),
            _number(row.started_at.is_not(None)),
            _number(row.phase != "closed"),
            _number(_is_overdue(cohort)),
        ).where(*_of(cohort))
    ).one()
    closed = select(row.outcome, func.count()).where(*_of(cohort), row.phase == "closed").group_by(row.outcome)
    how = {str(outcome): int(count) for outcome, count in session.execute(closed)}
    return DiveCounts(int(filed), int(started), int(still_open), int(overdue), how)


def by_bucket(session: Session, cohort: Cohort, ends: Sequence[datetime]) -> list[tuple[int, int]]:
    """How many were filed, and how many of those overdue, before each of these ends and not before the last one."""
    row = DiveRow
    place = case(*((row.filed_at < _at(end), number) for number, end in enumerate(ends)), else_=len(ends))
    # Named inside, since PostgreSQL would take the same expression twice for two different ones.
    each = select(place.label("place"), _is_overdue(cohort).label("overdue")).where(*_of(cohort)).subquery()
    counted = select(each.c.place, func.count(), _number(each.c.overdue)).group_by(each.c.place)
    found = {int(number): (int(filed), int(late)) for number, filed, late in session.execute(counted)}
    return [found.get(number, (0, 0)) for number in range(len(ends))]


def alarmed_dives(session: Session, cohort: Cohort, limit: int) -> list[AlarmedDive]:
    """Those past their raise-by time before they were out, and those for whom somebody raised it; the latest first."""
    row = DiveRow
    past = and_(row.raise_by_at.is_not(None), row.raise_by_at <= func.coalesce(row.closed_at, _at(cohort.now)))
    raised = exists().where(LogEntryRow.chain == literal("dive:") + row.id, LogEntryRow.kind == _RAISED)
    columns = (row.id, row.filed_at, row.due_out_at, row.raise_by_at, row.closed_at, row.outcome)
    found = select(*columns).where(*_of(cohort), or_(past, raised)).order_by(row.filed_at.desc(), row.id)
    return [AlarmedDive(*values) for values in session.execute(found.limit(limit))]


def traces(session: Session, dive_ids: Sequence[str]) -> dict[str, list[Trace]]:
    """What the logs of these dives say, in its order."""
    row, found = LogEntryRow, {dive_id: list[Trace]() for dive_id in dive_ids}
    wanted = (
        select(row.dive_id, row.at, row.kind, row.actor, row.detail)
        .where(row.chain.in_([f"dive:{dive_id}" for dive_id in dive_ids]), row.kind.in_(_KINDS))
        .order_by(row.chain, row.seq)
    )
    for dive_id, at, kind, actor, detail in session.execute(wanted):
        found[str(dive_id)].append(_trace(at, kind, actor, detail))
    return found


def _trace(at: datetime, kind: str, actor: str | None, detail: str | None) -> Trace:
    who = {} if actor is None else json.loads(actor)
    what = {} if detail is None else json.loads(detail)
    assumed = bool(what.get("assumed")) if detail is not None and kind == "event:started" else None
    return Trace(at, kind, who.get("role"), what.get("step"), assumed, what.get("stands"))


def alarm_steps(session: Session, dive_ids: Sequence[str]) -> dict[str, set[str]]:
    """Of each of these dives, whether contacts were told to call rescue (distress) and admins that nobody answers."""
    row, found = MessageRow, {dive_id: set[str]() for dive_id in dive_ids}
    to_contacts = and_(row.kind == "distress", row.person_key.startswith("contact-", autoescape=True))
    to_admins = row.step.startswith("hand_up-", autoescape=True)
    told = select(row.dive_id, _number(to_contacts), _number(to_admins)).where(row.dive_id.in_(dive_ids))
    for dive_id, distress, hand_up in session.execute(told.group_by(row.dive_id)):
        found[str(dive_id)] |= {"distress"} if distress else set()
        found[str(dive_id)] |= {"hand_up"} if hand_up else set()
    return found


def sent(session: Session, cohort: Cohort) -> list[Sent]:
    """All messages of these dives, counted by gateway, way and how they stand."""
    row = MessageRow
    keys = (row.handed_gateway, row.channel, row.state)
    counted = select(*keys, func.count()).join(DiveRow, DiveRow.id == row.dive_id).where(*_of(cohort))
    return [Sent(*values) for values in session.execute(counted.group_by(*keys))]


def tries(session: Session, cohort: Cohort) -> dict[str, dict[str, int]]:
    """How the attempts for these messages ended, by gateway: accepted, refused or unknown."""
    row, found = AttemptRow, dict[str, dict[str, int]]()
    counted = (
        select(row.gateway, row.outcome, func.count())
        .join(MessageRow, MessageRow.id == row.message_id)
        .join(DiveRow, DiveRow.id == MessageRow.dive_id)
        .where(*_of(cohort), row.outcome.is_not(None))
        .group_by(row.gateway, row.outcome)
    )
    for gateway, outcome, count in session.execute(counted):
        found.setdefault(gateway, {})[str(outcome)] = int(count)
    return found


def handed(session: Session, cohort: Cohort, limit: int) -> list[Handed]:
    """The messages of these dives that a gateway took, the latest first."""
    row = MessageRow
    columns = (row.kind, row.channel, row.handed_gateway, row.due_at, row.handed_at, row.delivered_at, row.state)
    found = (
        select(*columns)
        .join(DiveRow, DiveRow.id == row.dive_id)
        .where(*_of(cohort), row.handed_at.is_not(None))
        .order_by(row.handed_at.desc(), row.id)
        .limit(limit)
    )
    return [
        Handed(kind, channel, gateway, _between(due_at, handed_at), _between(handed_at, delivered_at) if got else None)
        for kind, channel, gateway, due_at, handed_at, delivered_at, state in session.execute(found)
        for got in [state == MessageState.DELIVERED.value and delivered_at is not None]
    ]


def _between(begin: datetime | None, end: datetime | None) -> float:
    """Seconds; a clock that went back a little makes none."""
    return 0.0 if begin is None or end is None else max(0.0, (end - begin).total_seconds())
