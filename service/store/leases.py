"""Who carries which message: those that wait, in their order, and the lease that gives one to a courier."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Final, Literal

from sqlalchemy import ColumnElement, Select, and_, false, func, literal, not_, or_, select, update
from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.store.outbox import LEASED, MESSAGE, QUEUED, URGENT_TO, ClaimedMessage, is_waiting, of_use
from service.store.tables import AttemptRow, MessageRow
from service.store.upsert import UNSYNCED, touched

Kinds = Literal["urgent", "all"]

LOST: Final = "the lease ran out before an outcome was recorded"


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message that could be carried now: as much of it as decides who carries it.

    `state`: leased where its last carrier vanished, and `in_flight`: in mid-attempt. `handed_gateway`: that one
    took it, and it is to go by another.
    """

    id: str
    dive_id: str | None
    phone: str
    email: str | None
    channel: str
    priority: int
    segments: int
    state: str
    attempts: int
    in_flight: bool
    handed_gateway: str | None


@dataclass(frozen=True, slots=True)
class Shut:
    """A channel of which some senders have to wait: the beginnings of numbers that they serve, and the others do.

    "" is the beginning of every number.
    """

    channel: Channel
    shut: tuple[str, ...]
    open: tuple[str, ...]


_WAITING = tuple(getattr(MessageRow, field.name) for field in fields(Waiting))


def anything_waits(session: Session, now: datetime, kinds: Kinds) -> bool:
    """Whether there is a message that could be carried now; a plain read."""
    return session.execute(_which(select(literal(1)), now, kinds).limit(1)).first() is not None


def urgent_goes(session: Session, now: datetime, leased_to: datetime) -> bool:
    """Whether something urgent waits, or is on its way by a lease that ends after `leased_to`; a plain read."""
    row = MessageRow
    going = and_(row.state == LEASED, row.in_flight, row.lease_until_at > leased_to)
    # The states stand there once more, since SQLite finds no index by what is an alternative within another.
    of_those = (row.state.in_((QUEUED, LEASED)), row.priority <= URGENT_TO)
    wanted = select(literal(1)).where(*of_those, or_(and_(is_waiting(now), of_use(now)), going))
    return session.execute(wanted.limit(1)).first() is not None


def waiting(
    session: Session,
    now: datetime,
    limit: int,
    *,
    kinds: Kinds = "all",
    channels: Collection[str] | None = None,
    shut: Collection[Shut] = (),
    beyond: int = 0,
) -> list[Waiting]:
    """Up to `limit` messages that could be carried now, after the first `beyond`; nobody else can lease them meanwhile.

    Strictly by priority, then first contacts of every dive before second ones, then the longest due; but of what is
    urgent, and of what is not, e-mails come last: a mail server that hangs must not keep texts and calls waiting. A
    lease that ran out is free again. `channels`: only those; None for all. `shut`: without those that only senders
    serve which have to wait, however many they are.
    """
    row = MessageRow
    wanted = _which(select(*_WAITING), now, kinds)
    if channels is not None:
        wanted = wanted.where(row.channel.in_(channels))
    for one in shut:
        served, free = _begins(one.channel, one.shut), _begins(one.channel, one.open)
        wanted = wanted.where(or_(row.channel != one.channel, not_(served), free))
    extra = (row.priority > URGENT_TO, row.channel == Channel.EMAIL)
    wanted = wanted.order_by(*extra, row.priority, row.rank, row.due_at, row.queued_at, row.id).limit(limit)
    if beyond:
        wanted = wanted.offset(beyond)
    return [Waiting(*values) for values in session.execute(wanted.with_for_update(skip_locked=True))]


def _begins(channel: Channel, prefixes: Collection[str]) -> ColumnElement[bool]:
    address = func.coalesce(MessageRow.email, "") if channel is Channel.EMAIL else MessageRow.phone
    return or_(false(), *(address.startswith(prefix, autoescape=True) for prefix in prefixes))


def _which(wanted: Select, now: datetime, kinds: Kinds) -> Select:  # type: ignore[type-arg]
    wanted = wanted.where(is_waiting(now), of_use(now))
    return wanted.where(MessageRow.priority <= URGENT_TO) if kinds == "urgent" else wanted


def lease(
    session: Session,
    found: Sequence[Waiting],
    owner: str,
    now: datetime,
    lease_s: float,
    begun: Collection[str] = (),
) -> list[ClaimedMessage]:
    """Lease what `waiting` found in this transaction to `owner` for `lease_s` seconds of the clock, in that order.

    If an attempt was open on one, that ends here as unknown. `begun`: the ids of those at which an attempt begins in
    this transaction, so that it need not be noted on its own.
    """
    if not found:
        return []
    row = MessageRow
    lost = {one.id: one.in_flight for one in found}
    _end_lost_attempts(session, [message_id for message_id, open_ in lost.items() if open_], now)
    until_at = now + timedelta(seconds=lease_s)
    leased = update(row).values(state=LEASED, lease_owner=owner, lease_until_at=until_at)
    begin = leased.values(in_flight=True, attempts=row.attempts + 1).where(row.id.in_(begun))
    hold = leased.values(in_flight=False).where(row.id.in_([one.id for one in found if one.id not in begun]))
    claimed: dict[str, ClaimedMessage] = {}
    for one in (begin, hold) if begun and len(begun) < len(found) else (begin if begun else hold,):
        for values in session.execute(one.returning(*MESSAGE), execution_options=UNSYNCED):
            claimed[values.id] = ClaimedMessage(*(*values, lost[values.id]))
    return [claimed[message_id] for message_id in lost]


def _end_lost_attempts(session: Session, message_ids: Collection[str], now: datetime) -> None:
    if not message_ids:
        return
    lost = update(AttemptRow).where(AttemptRow.message_id.in_(message_ids), AttemptRow.ended_at.is_(None))
    touched(session, lost.values(ended_at=now, outcome="unknown", detail=LOST))
