"""What is due: whether there is anything at all, and which dives, claimed by a sweep or only looked at."""

from __future__ import annotations

from dataclasses import dataclass, fields
from datetime import datetime
from functools import cache
from typing import Any, Final

from sqlalchemy import ColumnClause, Engine, Select, bindparam, func, literal_column, not_, select, text
from sqlalchemy.orm import Session

from service.domain.dive.state import Dive
from service.store.among import among
from service.store.codec import UnreadableError, load_dive
from service.store.dives import UnreadableDive
from service.store.engine import glancing
from service.store.outbox import Message
from service.store.tables import DiveRow, DrillRow, HeartbeatRow, InboundPartRow, InboundTextRow, MessageRow
from service.store.tables.message import EXPIRING
from service.store.types import UTCDateTime
from service.store.upsert import table


@dataclass(frozen=True, slots=True)
class Due:
    """A dive whose next moment has come, and which moment that was."""

    dive_id: str
    due_at: datetime


@dataclass(frozen=True, slots=True)
class Claimed(Due):
    """A due dive that this transaction has locked, with its state as it is stored."""

    receiving_number: str
    state: str

    def dive(self) -> Dive:
        """The dive. Raises UnreadableDive."""
        try:
            return load_dive(self.state)
        except UnreadableError as error:
            raise UnreadableDive(self.dive_id) from error


_ROW = table(DiveRow).c
_DUE = (
    select(_ROW.id, _ROW.next_due_at)
    .where(_ROW.next_due_at <= bindparam("now"))
    .order_by(_ROW.next_due_at, _ROW.id)
    .limit(bindparam("most"))
)
_CLAIM = _DUE.add_columns(_ROW.receiving_number, _ROW.state).with_for_update(skip_locked=True, key_share=True)
_CLAIM_OTHERS = _CLAIM.where(not_(among(_ROW.id, "skipped")))


def claim(session: Session, now: datetime, limit: int, skip: frozenset[str] = frozenset()) -> list[Claimed]:
    """The dives that are due, the longest overdue first, locked until this transaction ends.

    Dives that another transaction holds are left out. On SQLite the whole write transaction excludes others.
    """
    statement = _CLAIM_OTHERS if skip else _CLAIM
    found = session.execute(statement, {"now": now, "most": limit, "skipped": sorted(skip)})
    return [Claimed(*values) for values in found]


def listing(session: Session, now: datetime, limit: int) -> list[Due]:
    """What is due, longest first, claimed by nobody: for the log after an outage."""
    return [Due(*values) for values in session.execute(_DUE, {"now": now, "most": limit})]


def held_by_others(session: Session, due_before: datetime, limit: int) -> list[str]:
    """Dives that were due before then and that another transaction holds; the others are held by this one from now on.

    On SQLite there are none: who writes there keeps all others out.
    """
    free = {claimed.dive_id for claimed in claim(session, due_before, limit)}
    return [found.dive_id for found in listing(session, due_before, limit) if found.dive_id not in free]


@dataclass(frozen=True, slots=True)
class Glance:
    """Since when there is, or from when there will be, each kind of thing that a sweep sees to; None for none of it.

    `dive_at`: the earliest moment of a dive; `receipt_at`: until when the receipt of an alarm is waited for;
    `part_at`: when the oldest part of a text that is not whole came; `text_at`: when the oldest text that is not
    answered came; `expires_at`: when the first message that waits would come too late; `swept_at`: the last heartbeat;
    `drill_at`: when the oldest exercise began that is not over.
    """

    dive_at: datetime | None
    receipt_at: datetime | None
    part_at: datetime | None
    text_at: datetime | None
    expires_at: datetime | None
    swept_at: datetime | None
    drill_at: datetime | None


# Constants stand in these words, since a partial index is found only by a condition that is known beforehand. Each of
# the seven is the first entry of an index, but for the receipts, of which only those still waited for are in theirs.
_UNCONFIRMED: Final = {
    "sqlite": "state = 'handed' AND receipt_checked = 0 AND priority <= 1",
    "postgresql": "state = 'handed' AND NOT receipt_checked AND priority <= 1",
}
# SQLite would rather look through every alarm that was ever handed over.
_BY_INDEX: Final = {"sqlite": "messages INDEXED BY ix_messages_unconfirmed", "postgresql": "messages"}
_WAITED: Final = {
    "sqlite": "handed_at + receipt_within_s * 1000000",
    "postgresql": "handed_at + receipt_within_s * interval '1 second'",
}


@cache
def _glance(dialect: str) -> Select[Any]:
    messages, texts, parts, beats = (table(row) for row in (MessageRow, InboundTextRow, InboundPartRow, HeartbeatRow))
    found = {
        "dive_at": select(func.min(_ROW.next_due_at)).where(text("next_due_at IS NOT NULL")),
        "receipt_at": select(func.min(_waited(dialect)))
        .select_from(text(_BY_INDEX[dialect]))
        .where(text(_UNCONFIRMED[dialect])),
        "part_at": select(func.min(parts.c.received_at)).where(parts.c.inbound_id.is_(None)),
        "text_at": select(func.min(texts.c.received_at)).where(text("state = 'stored'")),
        "expires_at": select(func.min(messages.c.expires_at)).where(text(EXPIRING)),
        "swept_at": select(beats.c.at).where(text("name = 'sweep'")),
        "drill_at": select(func.min(table(DrillRow).c.started_at)).where(text("ended_at IS NULL")),
    }
    return select(*(found[field.name].scalar_subquery().label(field.name) for field in fields(Glance)))


def _waited(dialect: str) -> ColumnClause[datetime]:
    return literal_column(_WAITED[dialect], UTCDateTime())


def glance(engine: Engine) -> Glance:
    """One statement that says whether there is anything to do, outside of any transaction."""
    with glancing(engine) as connection:
        return Glance(*connection.execute(_glance(engine.dialect.name)).one())


def unconfirmed(session: Session, now: datetime, limit: int) -> list[Message]:
    """Alarms whose receipt was not there in time and about which nobody has asked yet, the longest handed first.

    `outbox.note_receipt_checked` takes one out.
    """
    statement = _unconfirmed(session.get_bind().dialect.name)
    return [Message(*values) for values in session.execute(statement, {"now": now, "most": limit})]


@cache
def _unconfirmed(dialect: str) -> Select[Any]:
    messages = table(MessageRow)
    return (
        select(*(messages.c[field.name] for field in fields(Message)))
        .where(text(_UNCONFIRMED[dialect]), _waited(dialect) <= bindparam("now", type_=UTCDateTime()))
        .order_by(messages.c.handed_at, messages.c.id)
        .limit(bindparam("most"))
    )
