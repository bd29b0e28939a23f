"""Exercises: kept, found, and whether a real alarm is up that must go before one."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Final

from sqlalchemy import ColumnElement, exists, func, or_, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, aliased

from service.domain.dive.state import ALARMED, LIVE, Phase
from service.domain.people import Role
from service.store.ids import new_id
from service.store.tables import DiveRow, DrillDiveRow, DrillRow, MessageRow
from service.store.tables.dive import DivePhoneRow
from service.store.upsert import touched

ALARMS: Final = ("alert", "distress")


class DrillRunsError(Exception):
    """The club has an exercise that is not over."""


def add(
    session: Session,
    *,
    club_id: str,
    site_id: str,
    site_name: str,
    whole_club: bool,
    started_by: str,
    now: datetime,
    ends_at: datetime,
) -> DrillRow:
    """A new exercise. Raises DrillRunsError where the club has one that is not over; the session stays usable."""
    drill = DrillRow(
        id=new_id(),
        club_id=club_id,
        site_id=site_id,
        site_name=site_name,
        whole_club=whole_club,
        started_at=now,
        started_by=started_by,
        ends_at=ends_at,
        tries=0,
        left_open=0,
    )
    try:
        with session.begin_nested():
            session.add(drill)
            session.flush()
    except IntegrityError as error:
        raise DrillRunsError from error
    return drill


def add_dive(session: Session, drill_id: str, dive_id: str, number: int) -> None:
    """A dive of an exercise."""
    session.add(DrillDiveRow(drill_id=drill_id, dive_id=dive_id, number=number))
    session.flush()


def get(session: Session, club_id: str, drill_id: str) -> DrillRow | None:
    """The exercise of that id, where it is one of the club."""
    found = select(DrillRow).where(DrillRow.club_id == club_id, DrillRow.id == drill_id)
    return session.execute(found.execution_options(populate_existing=True)).scalar_one_or_none()


def listing(session: Session, club_id: str, limit: int) -> list[DrillRow]:
    """The exercises of a club, the latest first."""
    found = select(DrillRow).where(DrillRow.club_id == club_id)
    return list(session.execute(found.order_by(DrillRow.started_at.desc(), DrillRow.id).limit(limit)).scalars())


def started_since(session: Session, club_id: str, since: datetime) -> int:
    """How many a club has begun since that instant."""
    found = select(func.count()).where(DrillRow.club_id == club_id, DrillRow.started_at >= since)
    return session.execute(found).scalar_one()


def open_ones(session: Session) -> list[DrillRow]:
    """All exercises that are not over, of every club, the oldest first."""
    found = select(DrillRow).where(DrillRow.ended_at.is_(None)).order_by(DrillRow.started_at, DrillRow.id)
    return list(session.execute(found.execution_options(populate_existing=True)).scalars())


def dive_ids(session: Session, drill_id: str) -> list[str]:
    """The dives of an exercise in their order."""
    found = select(DrillDiveRow.dive_id).where(DrillDiveRow.drill_id == drill_id).order_by(DrillDiveRow.number)
    return list(session.execute(found).scalars())


def open_dive_ids(session: Session, drill_id: str) -> list[str]:
    """Those of them that are not closed, as their plain columns have it."""
    found = (
        select(DrillDiveRow.dive_id)
        .join(DiveRow, DiveRow.id == DrillDiveRow.dive_id)
        .where(DrillDiveRow.drill_id == drill_id, DiveRow.phase != Phase.CLOSED.value)
        .order_by(DrillDiveRow.number)
    )
    return list(session.execute(found).scalars())


def real_alarm(session: Session, club_id: str, site_id: str | None) -> str | None:
    """The reference of a real dive whose alarm is up: at the site, or at a place unknown; with no site anywhere."""
    found = select(DiveRow.reference).where(*_alarmed(club_id))
    if site_id is not None:
        found = found.where(or_(DiveRow.site_id == site_id, DiveRow.site_id.is_(None)))
    return session.execute(found.order_by(DiveRow.raise_by_at, DiveRow.id).limit(1)).scalar_one_or_none()


def real_alarm_of_people(session: Session, club_id: str, phones: Sequence[str]) -> str | None:
    """The same of a dive that one of these phones belongs to: somebody must not be in both at once."""
    found = select(DiveRow.reference).where(
        *_alarmed(club_id), exists().where(DivePhoneRow.dive_id == DiveRow.id, DivePhoneRow.phone.in_(phones))
    )
    return session.execute(found.order_by(DiveRow.raise_by_at, DiveRow.id).limit(1)).scalar_one_or_none()


def real_dive_of(session: Session, club_id: str, phone: str) -> str | None:
    """The reference of a real dive under way of which this is the phone of a diver."""
    theirs = exists().where(
        DivePhoneRow.dive_id == DiveRow.id, DivePhoneRow.phone == phone, DivePhoneRow.role == Role.DIVER.value
    )
    live = tuple(phase.value for phase in LIVE)
    found = select(DiveRow.reference).where(
        DiveRow.club_id == club_id, DiveRow.closed_at.is_(None), DiveRow.phase.in_(live), ~DiveRow.drill, theirs
    )
    return session.execute(found.order_by(DiveRow.raise_by_at, DiveRow.id).limit(1)).scalar_one_or_none()


def phones_of(session: Session, drill_id: str) -> list[str]:
    """The phones that take part in an exercise."""
    phone = aliased(DivePhoneRow)
    found = select(phone.phone).join(DrillDiveRow, DrillDiveRow.dive_id == phone.dive_id).distinct()
    return list(session.execute(found.where(DrillDiveRow.drill_id == drill_id)).scalars())


def player_phone(session: Session, drill_id: str) -> str | None:
    """The phone of who plays the diver of an exercise: the same in each of its dives."""
    phone = DivePhoneRow
    found = select(phone.phone).join(DrillDiveRow, DrillDiveRow.dive_id == phone.dive_id)
    found = found.where(DrillDiveRow.drill_id == drill_id, phone.role == Role.DIVER.value)
    return session.execute(found.limit(1)).scalar_one_or_none()


def let_end(session: Session, drill_id: str, why: str, by: str) -> bool:
    """From now on it is to end, for the first reason that was given; whether this is it."""
    row = DrillRow
    first = update(row).where(row.id == drill_id, row.ended_at.is_(None), row.ending.is_(None))
    return touched(session, first.values(ending=why, ending_by=by)) == 1


def note_try(session: Session, drill_id: str) -> None:
    """Some of its dives could not be ended this time."""
    touched(session, update(DrillRow).where(DrillRow.id == drill_id).values(tries=DrillRow.tries + 1))


def end(session: Session, drill_id: str, now: datetime, left_open: int) -> bool:
    """It is over; so many of its dives could not be ended. False where it was over before."""
    row = DrillRow
    over = update(row).where(row.id == drill_id, row.ended_at.is_(None))
    return touched(session, over.values(ended_at=now, left_open=left_open)) == 1


def _alarmed(club_id: str) -> tuple[ColumnElement[bool], ...]:
    """Open real dives whose alarm is up: by their phase, or, of one that cannot be read, since somebody was alarmed."""
    alarmed = tuple(phase.value for phase in ALARMED)
    told = exists().where(MessageRow.dive_id == DiveRow.id, MessageRow.kind.in_(ALARMS))
    # What is closed is left out by the index first; of what is open few are in alarm.
    is_open = DiveRow.club_id == club_id, DiveRow.closed_at.is_(None)
    return *is_open, ~DiveRow.drill, or_(DiveRow.phase.in_(alarmed), told)
