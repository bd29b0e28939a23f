"""Who carries which message: those that wait, in their order, and the lease that gives one to a courier."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from functools import cache, lru_cache
from typing import Any, Final, Literal

from sqlalchemy import (
    ColumnElement,
    Engine,
    Select,
    Update,
    and_,
    bindparam,
    false,
    func,
    literal,
    literal_column,
    not_,
    or_,
    select,
    text,
    update,
)
from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.store.among import among
from service.store.engine import glancing
from service.store.outbox import ALARMS_TO, LEASED, MESSAGE, URGENT_TO, ClaimedMessage, is_waiting, of_use
from service.store.tables import AttemptRow, MessageRow
from service.store.tables.message import BY_EMAIL, CALM, WAITING
from service.store.types import UTCDateTime
from service.store.upsert import UNSYNCED, is_sqlite, table, touched

Kinds = Literal["urgent", "all"]

LOST: Final = "the lease ran out before an outcome was recorded"


@dataclass(frozen=True, slots=True)
class Waiting:
    """A message that could be carried now: as much of it as decides who carries it.

    `state`: leased where its last carrier vanished, and `in_flight`: in mid-attempt. `handed_gateway`: that one
    took it, and it is to go by another.
    """

    id: str
    club_id: str
    dive_id: str | None
    phone: str
    email: str | None
    channel: str
    priority: int
    step: str
    segments: int
    state: str
    attempts: int
    in_flight: bool
    handed_gateway: str | None

    @classmethod
    def of(cls, message: ClaimedMessage) -> Waiting:
        """That much of one that is leased."""
        return cls(**{one.name: getattr(message, one.name) for one in fields(cls)})


@dataclass(frozen=True, slots=True)
class Shut:
    """A channel of which some senders have to wait: the beginnings of numbers that they serve, and the others do.

    "" is the beginning of every number.
    """

    channel: Channel
    shut: tuple[str, ...]
    open: tuple[str, ...]


_ROW = table(MessageRow).c
_WAITING = tuple(_ROW[field.name] for field in fields(Waiting))
_EXTRA: Final[tuple[ColumnElement[bool], ...]] = (literal_column(CALM), literal_column(BY_EMAIL))
_NOW: Final = bindparam("now", type_=UTCDateTime())


def anything_waits(engine: Engine, now: datetime, kinds: Kinds) -> bool:
    """Whether there is a message that could be carried now; a plain read, in no transaction."""
    with glancing(engine) as connection:
        return connection.execute(_anything(kinds), {"now": now}).first() is not None


def urgent_goes(session: Session, now: datetime, leased_to: datetime) -> bool:
    """Whether something urgent waits, or is on its way by a lease that ends after `leased_to`; a plain read."""
    return session.execute(_urgent(), {"now": now, "leased_to": leased_to}).first() is not None


def waiting(
    session: Session,
    now: datetime,
    limit: int,
    *,
    kinds: Kinds = "all",
    channels: Collection[str] | None = None,
    shut: Collection[Shut] = (),
    beyond: int = 0,
    crowded: bool = False,
    but_alarms_to: datetime | None = None,
) -> list[Waiting]:
    """Up to `limit` messages that could be carried now, after the first `beyond`; nobody else can lease them meanwhile.

    Strictly by priority, then first contacts of every dive before second ones, then the longest due; but of what is
    urgent, and of what is not, e-mails come last: a mail server that hangs must not keep texts and calls waiting. A
    lease that ran out is free again. `channels`: only those; None for all. `shut`: without those that only senders
    serve which have to wait, however many they are. `crowded`: far more than these wait. `but_alarms_to`: without the
    alarms of dives that were queued up to then.
    """
    in_turn = crowded and not is_sqlite(session)
    if in_turn:
        session.execute(_UNSORTED)
    wanted = _wanted(kinds, tuple(shut), by_channel=channels is not None, in_turn=in_turn)
    if but_alarms_to is not None:
        alarm = and_(_ROW.priority <= ALARMS_TO, _ROW.dive_id.is_not(None))
        wanted = wanted.where(not_(and_(alarm, _ROW.queued_at <= but_alarms_to)))
    given = {"now": now, "most": limit, "beyond": beyond, "channels": list(channels or ())}
    return [Waiting(*values) for values in session.execute(wanted, given)]


@cache
def _anything(kinds: Kinds) -> Select[Any]:
    return _which(select(literal(1)), kinds).limit(1)


@cache
def _urgent() -> Select[Any]:
    going = and_(_ROW.in_flight, _ROW.lease_until_at > bindparam("leased_to"))
    # The states stand there once more: no database finds an index by what is an alternative within another.
    of_those: tuple[ColumnElement[bool], ...] = (literal_column(WAITING), _ROW.priority <= URGENT_TO)
    return select(literal(1)).where(*of_those, or_(and_(is_waiting(_NOW), of_use(_NOW)), going)).limit(1)


# PostgreSQL believes its statistics, which are of a calm day: that almost nothing waits, so that it may as well sort
# it. In a storm it would sort all that waits at every claim, where the index has it in turn.
_UNSORTED: Final = text("SET LOCAL enable_sort = off")


@lru_cache(maxsize=256)
def _wanted(kinds: Kinds, shut: tuple[Shut, ...], *, by_channel: bool, in_turn: bool) -> Select[Any]:
    wanted = _which(select(*_WAITING), kinds)
    if in_turn:
        wanted = wanted.prefix_with("ALL")  # means nothing, but makes it a statement with a plan of its own
    if by_channel:
        wanted = wanted.where(among(_ROW.channel, "channels"))
    for one in shut:
        served, free = _begins(one.channel, one.shut), _begins(one.channel, one.open)
        wanted = wanted.where(or_(_ROW.channel != one.channel, not_(served), free))
    wanted = wanted.order_by(*_EXTRA, _ROW.priority, _ROW.rank, _ROW.due_at, _ROW.queued_at, _ROW.id)
    return wanted.limit(bindparam("most")).offset(bindparam("beyond")).with_for_update(skip_locked=True)


def _begins(channel: Channel, prefixes: Collection[str]) -> ColumnElement[bool]:
    address = func.coalesce(_ROW.email, "") if channel is Channel.EMAIL else _ROW.phone
    return or_(false(), *(address.startswith(prefix, autoescape=True) for prefix in prefixes))


def _which(wanted: Select[Any], kinds: Kinds) -> Select[Any]:
    # In the words of its index too, since a database does not see through parameters.
    wanted = wanted.where(literal_column(WAITING), is_waiting(_NOW), of_use(_NOW))
    return wanted.where(_ROW.priority <= URGENT_TO) if kinds == "urgent" else wanted


_LEASED = (
    update(table(MessageRow))
    .where(among(_ROW.id, "ids"))
    .values(state=LEASED, lease_owner=bindparam("owner"), lease_until_at=bindparam("until"))
    .returning(*MESSAGE)
)
_BEGIN: Final[Update] = _LEASED.values(in_flight=True, attempts=_ROW.attempts + 1)
_HOLD: Final[Update] = _LEASED.values(in_flight=False)
_TRIED = table(AttemptRow).c
_END_LOST = (
    update(table(AttemptRow))
    .where(among(_TRIED.message_id, "ids"), _TRIED.ended_at.is_(None))
    .values(ended_at=bindparam("now"), outcome="unknown", detail=LOST)
)


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
    lost = {one.id: one.in_flight for one in found}
    end_lost_attempts(session, [message_id for message_id, open_ in lost.items() if open_], now)
    until_at = now + timedelta(seconds=lease_s)
    held = [message_id for message_id in lost if message_id not in begun]
    claimed: dict[str, ClaimedMessage] = {}
    for statement, ids in ((_BEGIN, list(begun)), (_HOLD, held)):
        given = {"ids": ids, "owner": owner, "until": until_at}
        for values in session.execute(statement, given, execution_options=UNSYNCED) if ids else ():
            claimed[values.id] = ClaimedMessage(*(*values, lost[values.id]))
    return [claimed[message_id] for message_id in lost]


def end_lost_attempts(session: Session, message_ids: Collection[str], now: datetime) -> None:
    """End what is open at messages whose lease has run out: a gateway may have them, and whoever knows has vanished."""
    if not message_ids:
        return
    touched(session, _END_LOST, {"ids": list(message_ids), "now": now})
