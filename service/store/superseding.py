"""Messages that are no longer to go out: overtaken by what happened since, replaced by fresher news, or too late."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from functools import cache
from typing import Any, Final

from sqlalchemy import and_, bindparam, exists, false, literal_column, or_, tuple_, update
from sqlalchemy.orm import Session

from service.domain.dive.state import ALARMED, Phase
from service.store.among import among
from service.store.leases import end_lost_attempts
from service.store.outbox import EXPIRED, LEASED, QUEUED, NewMessage
from service.store.tables import DiveRow, MessageRow
from service.store.tables.message import EXPIRING
from service.store.upsert import UNSYNCED, table, touched

_ROW = table(MessageRow).c
# Not just being handed over.
_IDLE: Final = or_(_ROW.state == QUEUED, and_(_ROW.state == LEASED, _ROW.in_flight == false()))
_EXPIRE: Final = update(table(MessageRow)).values(
    state=EXPIRED,
    failed_reason=bindparam("why"),
    ended_at=bindparam("at"),
    lease_owner=None,
    lease_until_at=None,
    in_flight=False,
)
_SUPERSEDED: Final = _EXPIRE.where(
    among(_ROW.dive_id, "dive_ids"),
    among(_ROW.priority, "priorities"),
    _IDLE,
)
_DIVE = table(DiveRow).c
_MOVED_ON: Final = _EXPIRE.where(
    among(_ROW.id, "ids"),
    _ROW.state == QUEUED,
    exists().where(
        _DIVE.id == _ROW.dive_id,
        or_(
            and_(_DIVE.phase == Phase.CLOSED.value, among(_ROW.priority, "at_close")),
            and_(_DIVE.phase != Phase.CLOSED.value, among(_ROW.priority, "at_reopening")),
            and_(_DIVE.phase.in_(sorted(phase.value for phase in ALARMED)), among(_ROW.priority, "at_alarm")),
        ),
    ),
)
_UNTRUE: Final = _EXPIRE.where(among(_ROW.dive_id, "dive_ids"), _ROW.step.startswith(bindparam("begins")), _IDLE)
_THESE: Final = _EXPIRE.where(among(_ROW.id, "ids"), _ROW.state == QUEUED)
_OVERDUE: Final = _EXPIRE.where(
    literal_column(EXPIRING),
    _ROW.expires_at <= bindparam("now"),
    or_(
        and_(_ROW.state == QUEUED, _ROW.not_before_at <= bindparam("now")),
        and_(_ROW.state == LEASED, _ROW.lease_until_at <= bindparam("now")),
    ),
).returning(_ROW.id, _ROW.attempts)


def expire_superseded(session: Session, dive_ids: Collection[str], priorities: Collection[int], now: datetime) -> int:
    """Keep messages of dives that moved on from going out, but for those just being handed over; how many."""
    values = {"dive_ids": sorted(dive_ids), "priorities": sorted(priorities)}
    return touched(session, _SUPERSEDED, values | _because("its dive moved on first", now))


def expire_steps(session: Session, dive_ids: Collection[str], begins: str, now: datetime) -> int:
    """The same of messages of the steps whose names begin so, which have no sign that a pattern takes for any."""
    values = {"dive_ids": sorted(dive_ids), "begins": begins}
    return touched(session, _UNTRUE, values | _because("its dive moved on first", now))


@dataclass(frozen=True, slots=True)
class Overtaken:
    """An answer that is no longer to go out, and whose it was."""

    message_id: str
    dive_id: str
    person_key: str
    phone: str


def expire_answers(session: Session, of_steps: Mapping[str, Collection[str]], now: datetime) -> list[Overtaken]:
    """Keep answers from going out; which, in a steady order.

    `of_steps`: the dives, by how the names of the steps begin that are meant of them; "" is the beginning of every one.
    """
    asked = {begins: sorted(dive_ids) for begins, dive_ids in of_steps.items() if dive_ids}
    if not asked:
        return []
    values = {f"of_{place}": dive_ids for place, dive_ids in enumerate(asked.values())}
    every = {"dive_ids": sorted({dive_id for dive_ids in asked.values() for dive_id in dive_ids})}
    found = session.execute(_answers(tuple(asked)), values | every | _because("its dive moved on first", now))
    return sorted((Overtaken(*one) for one in found), key=lambda one: one.message_id)


@cache
def _answers(steps: tuple[str, ...]) -> Any:
    """One statement for all, since each decision pays for it. The dives are named apart for the sake of the index."""
    meant = (
        and_(among(_ROW.dive_id, f"of_{place}"), _ROW.step.startswith(begins, autoescape=True))
        for place, begins in enumerate(steps)
    )
    gone = _EXPIRE.where(among(_ROW.dive_id, "dive_ids"), _ROW.kind == "reply", or_(*meant), _IDLE)
    return gone.returning(_ROW.id, _ROW.dive_id, _ROW.person_key, _ROW.phone)


def expire_these(session: Session, message_ids: Collection[str], now: datetime) -> int:
    """Keep those of these that wait from going out; how many."""
    return touched(session, _THESE, {"ids": sorted(message_ids)} | _because("its dive has moved on", now))


def expire_moved_on(
    session: Session,
    message_ids: Collection[str],
    at_close: Collection[int],
    at_reopening: Collection[int],
    at_alarm: Collection[int],
    now: datetime,
) -> int:
    """Keep those of these that wait from going out whose dive closed, or is in alarm (again), meanwhile; how many."""
    values = {"ids": sorted(message_ids), "at_close": sorted(at_close), "at_reopening": sorted(at_reopening)}
    values["at_alarm"] = sorted(at_alarm)
    return touched(session, _MOVED_ON, values | _because("its dive has moved on", now))


def expire_overdue(session: Session, now: datetime) -> int:
    """Keep messages from going out that would come too late to be of use; how many.

    Nobody claims such a message any more, so an attempt whose carrier vanished ends here.
    """
    given = {"now": now} | _because("too late to be of use", now)
    gone = session.execute(_OVERDUE, given, execution_options=UNSYNCED).all()
    end_lost_attempts(session, [message_id for message_id, attempts in gone if attempts], now)
    return len(gone)


def _because(reason: str, now: datetime) -> dict[str, Any]:
    return {"why": reason, "at": now}


def in_place_of_waiting(
    session: Session, messages: Sequence[NewMessage], steps: tuple[str, ...], now: datetime
) -> list[NewMessage]:
    """Messages that take the place of older ones to the same person by the same way which have not gone out.

    `steps` are the names of the steps that they say again and better. Each keeps the rank of the older ones and since
    when they were due, so that nobody waits longer because there is fresher news; one just being handed over stays.
    """
    ways = sorted({_way(message) for message in messages})
    if not ways:
        return []
    values = {"dive_ids": sorted({dive_id for dive_id, _, _ in ways}), "ways": ways}
    replaced = session.execute(_replaced(steps), values | _because("a newer alarm takes its place", now))
    gone: dict[tuple[_Way, int], list[tuple[int, datetime]]] = {}
    for dive_id, person_key, channel, priority, rank, due_at in replaced:
        gone.setdefault(((dive_id, person_key, channel), priority), []).append((rank, due_at))
    return [_placed(message, gone.get((_way(message), message.priority), [])) for message in messages]


_Way = tuple[str, str, str]


@cache
def _replaced(steps: tuple[str, ...]) -> Any:
    """The dives are named apart too, since not every database finds a row by the index from three columns at once."""
    older = _EXPIRE.where(
        among(_ROW.dive_id, "dive_ids"),
        tuple_(_ROW.dive_id, _ROW.person_key, _ROW.channel).in_(bindparam("ways", expanding=True)),
        _IDLE,
        or_(*(_ROW.step.startswith(f"{step}-", autoescape=True) for step in steps)),
    )
    return older.returning(_ROW.dive_id, _ROW.person_key, _ROW.channel, _ROW.priority, _ROW.rank, _ROW.due_at)


def _way(message: NewMessage) -> _Way:
    return message.dive_id or "", message.person_key, message.channel


def _placed(message: NewMessage, gone: Sequence[tuple[int, datetime]]) -> NewMessage:
    if not gone:
        return message
    rank = min([message.rank, *(rank for rank, _ in gone)])
    return replace(message, rank=rank, due_at=min([message.due_at, *(due_at for _, due_at in gone)]))
