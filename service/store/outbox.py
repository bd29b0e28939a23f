"""The outbox: messages that must go out, claimed by lease, carried by attempts.

A message has one unique cause: dive, step, person and channel; the club, not the dive, where it has none.
Whoever carries it holds a lease, and all that the carrier writes is fenced by it: who slept past it has
nothing more to say about the message.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from operator import attrgetter
from typing import Any, Final, Literal

from sqlalchemy import ColumnElement, and_, bindparam, case, func, insert, literal_column, or_, select, union, update
from sqlalchemy.orm import Session

from service.store.among import among
from service.store.ids import new_id
from service.store.tables import AttemptRow, MessageRow
from service.store.tables.message import WAITING
from service.store.types import UTCDateTime, Words
from service.store.upsert import insert_or_keep_rows, is_sqlite, table, touched

RECEIPT_WITHIN_MIN_S: Final = 30  # no club may wait less; each dive's own setting decides
ALARMS_TO: Final = 1  # distress 0, alert 1
URGENT_TO: Final = 2  # distress 0, alert 1, stand-down 2; the rest can wait

QUEUED: Final = "queued"
LEASED: Final = "leased"
HANDED: Final = "handed"
DELIVERED: Final = "delivered"
FAILED: Final = "failed"
EXPIRED: Final = "expired"

AttemptOutcome = Literal["accepted", "refused", "unknown"]


class LeaseLost(Exception):  # noqa: N818 - it names what is found; the message belongs to somebody else now
    """The message is no longer leased to this carrier: it must not be sent by it."""


@dataclass(frozen=True, slots=True)
class NewMessage:
    """What to tell one person. `due_at` is when its step was due, `rank` the place among the contacts.

    `receipt_within_s`: so many seconds of the clock after a gateway took an alarm, no receipt counts as no answer.
    """

    club_id: str
    dive_id: str | None
    person_key: str
    name: str
    phone: str
    kind: str
    priority: int
    step: str
    body: str
    segments: int
    queued_at: datetime
    due_at: datetime
    cause_seq: int | None = None
    not_before_at: datetime | None = None
    expires_at: datetime | None = None
    rank: int = 0
    channel: str = "text"
    language: str = "en"
    email: str | None = None
    subject: str | None = None
    receipt_within_s: int = RECEIPT_WITHIN_MIN_S


@dataclass(frozen=True, slots=True)
class Message:
    """A message as it stands. `taken_up`: how often it was sent anew after it had failed on its way."""

    id: str
    club_id: str
    dive_id: str | None
    person_key: str
    name: str
    phone: str
    email: str | None
    channel: str
    language: str
    kind: str
    priority: int
    rank: int
    step: str
    subject: str | None
    body: str
    segments: int
    state: str
    cause_seq: int | None
    queued_at: datetime
    due_at: datetime
    not_before_at: datetime
    expires_at: datetime | None
    lease_owner: str | None
    lease_until_at: datetime | None
    in_flight: bool
    attempts: int
    handed_at: datetime | None
    handed_gateway: str | None
    provider_id: str | None
    delivered_at: datetime | None
    ended_at: datetime | None
    failed_reason: str | None
    receipt_checked: bool
    receipt_within_s: int
    taken_up: int


@dataclass(frozen=True, slots=True)
class ClaimedMessage(Message):
    """A message leased to us.

    `lost_attempt`: its last carrier vanished in the middle of an attempt, so a gateway may have it already.
    """

    lost_attempt: bool = False


@dataclass(frozen=True, slots=True)
class Attempt:
    """One try to hand a message over; without `ended_at` it is under way, or its carrier died."""

    id: int
    message_id: str
    gateway: str
    carried_by: str
    started_at: datetime
    ended_at: datetime | None
    outcome: str | None
    code: str | None
    detail: str | None
    provider_id: str | None


_ROW = table(MessageRow).c
MESSAGE: Final = tuple(_ROW[field.name] for field in fields(Message))


def queue(session: Session, message: NewMessage) -> str | None:
    """Put a message into the outbox and return its id; None when its cause has already put one there."""
    return queue_all(session, [message])[0]


def queue_all(session: Session, messages: Sequence[NewMessage]) -> list[str | None]:
    """Put messages into the outbox; for each its id, or None when its cause has already put one there."""
    rows = [_new_row(message) for message in messages]
    ids: list[str] = [row["id"] for row in rows]
    if insert_or_keep_rows(session, MessageRow, rows) == len(rows):
        return [*ids]
    new = set(session.execute(_THESE, {"ids": ids}).scalars())
    return [one if one in new else None for one in ids]


_THESE = select(_ROW.id).where(among(_ROW.id, "ids"))
_GIVEN = tuple(field.name for field in fields(NewMessage))
_given = attrgetter(*_GIVEN)


def _new_row(message: NewMessage) -> dict[str, Any]:
    row: dict[str, Any] = dict(zip(_GIVEN, _given(message), strict=True))
    row["id"] = new_id()
    row["not_before_at"] = message.not_before_at or message.queued_at
    row["state"] = QUEUED
    row["in_flight"] = row["receipt_checked"] = False
    row["attempts"] = 0
    return row


def is_waiting(now: datetime | ColumnElement[datetime]) -> ColumnElement[bool]:
    """Queued and its time has come, or leased by somebody whose lease ran out."""
    row = _ROW
    return or_(
        and_(row.state == QUEUED, row.not_before_at <= now),
        and_(row.state == LEASED, row.lease_until_at <= now),
    )


def of_use(now: datetime | ColumnElement[datetime]) -> ColumnElement[bool]:
    """Not too late to be of use."""
    return or_(_ROW.expires_at.is_(None), _ROW.expires_at > now)


_HELD = update(table(MessageRow)).where(
    _ROW.id == bindparam("of"), _ROW.state == LEASED, _ROW.lease_owner == bindparam("owner")
)
_FREED: Final[dict[str, Any]] = {"lease_owner": None, "lease_until_at": None, "in_flight": False}
_BEGIN = _HELD.where(_ROW.lease_until_at > bindparam("now")).values(in_flight=True, attempts=_ROW.attempts + 1)
_MARK_HANDED = _HELD.values(
    state=HANDED,
    handed_at=bindparam("now"),
    handed_gateway=bindparam("by"),
    provider_id=bindparam("named"),
    **_FREED,
)
_RELEASE = _HELD.values(state=QUEUED, not_before_at=bindparam("until"), **_FREED)
_LEAVE_HANDED = _HELD.values(state=HANDED, **_FREED)
_GIVEN_UP: Final[dict[str, Any]] = {
    "state": FAILED,
    "failed_reason": bindparam("why"),
    "ended_at": bindparam("now"),
    **_FREED,
}
_FAIL_HELD = _HELD.values(**_GIVEN_UP)
_FAIL = (
    update(table(MessageRow))
    .where(_ROW.id == bindparam("of"), _ROW.state.in_((QUEUED, LEASED, HANDED)))
    .values(**_GIVEN_UP)
)
_TRIED = table(AttemptRow).c
_ATTEMPTS = tuple(_TRIED[field.name] for field in fields(Attempt))
_BEGUN = insert(table(AttemptRow)).returning(_TRIED.id)
UNKNOWN_AT_FIRST: Final = "nobody knew at first"
"""In the detail of an attempt whose outcome came after it had been given up for unknown: others have acted on that."""

_FINISH = (
    update(table(AttemptRow))
    .where(_TRIED.id == bindparam("of"), or_(_TRIED.ended_at.is_(None), _TRIED.outcome == "unknown"))
    .values(
        # The next one has begun since then, if any has.
        ended_at=func.coalesce(_TRIED.ended_at, bindparam("now", type_=UTCDateTime())),
        outcome=bindparam("came"),
        code=bindparam("refusal"),
        detail=case((_TRIED.outcome == "unknown", bindparam("says_late")), else_=bindparam("says")),
        provider_id=bindparam("named"),
    )
)
_ATTEMPTS_OF = select(*_ATTEMPTS).where(_TRIED.message_id == bindparam("of")).order_by(_TRIED.id)
_MESSAGES = select(*MESSAGE)
_GET = _MESSAGES.where(_ROW.id == bindparam("of"))
_OF_DIVE = _MESSAGES.where(_ROW.dive_id == bindparam("of")).order_by(_ROW.queued_at, _ROW.priority, _ROW.rank, _ROW.id)
_HANDED = select(_ROW.id).where(_ROW.handed_gateway == bindparam("by"), _ROW.provider_id == bindparam("named"))
_CARRIED = select(_TRIED.message_id).where(_TRIED.gateway == bindparam("by"), _TRIED.provider_id == bindparam("named"))
_TAKES_TURNS = select(func.pg_advisory_xact_lock(func.hashtextextended(bindparam("key", type_=Words()), 0)))
_OTHERS = _CARRIED.where(_TRIED.id != bindparam("but")).limit(1)
# Each half by its own index, and put together: PostgreSQL reads every message where they are alternatives.
_KNOWN = union(_HANDED, _CARRIED).subquery()
_BY_PROVIDER = _MESSAGES.where(_ROW.id.in_(select(_KNOWN.c.id))).order_by(_ROW.queued_at).limit(1)
_CHECKED = update(table(MessageRow)).where(_ROW.id == bindparam("of")).values(receipt_checked=True)


def begin_attempt(session: Session, message_id: str, gateway: str, owner: str, now: datetime) -> int:
    """Record an attempt before the gateway is called, and return its id.

    Raises LeaseLost when the message is not leased to `owner`: taken over, or expired as its dive closed.
    """
    if touched(session, _BEGIN, {"of": message_id, "owner": owner, "now": now}) != 1:
        raise LeaseLost(f"message {message_id} is not leased to {owner}")
    row = {"message_id": message_id, "gateway": gateway, "carried_by": owner, "started_at": now}
    attempt_id: int = session.execute(_BEGUN, row).scalar_one()
    return attempt_id


def finish_attempt(
    session: Session,
    attempt_id: int,
    outcome: AttemptOutcome,
    code: str | None,
    detail: str | None,
    provider_id: str | None,
    now: datetime,
) -> None:
    """Record how an attempt ended; whoever slept past the lease may still replace "unknown"."""
    late = f"{detail}; {UNKNOWN_AT_FIRST}" if detail else UNKNOWN_AT_FIRST
    heard = {"came": outcome, "refusal": code, "says": detail, "says_late": late, "named": provider_id}
    touched(session, _FINISH, {"of": attempt_id, "now": now} | heard)


def mark_handed(session: Session, message_id: str, owner: str, gateway: str, provider_id: str, now: datetime) -> bool:
    """A gateway took the message. False when the lease was lost meanwhile: then nothing is written."""
    values = {"of": message_id, "owner": owner, "by": gateway, "named": provider_id, "now": now}
    return touched(session, _MARK_HANDED, values) == 1


def release(session: Session, message_id: str, owner: str, not_before_at: datetime) -> bool:
    """Give a message back to be tried again; False when the lease was lost meanwhile."""
    return touched(session, _RELEASE, {"of": message_id, "owner": owner, "until": not_before_at}) == 1


def adopt(session: Session, message_id: str, gateway: str, provider_id: str, now: datetime) -> bool:
    """A gateway turns out to have taken a message that waits to be sent again. False when it does not wait any more."""
    waits = update(MessageRow).where(MessageRow.id == message_id, MessageRow.state == QUEUED)
    values = {"state": HANDED, "handed_at": now, "handed_gateway": gateway, "provider_id": provider_id}
    return touched(session, waits.values(**values)) == 1


def take_back(session: Session, message_id: str, now: datetime) -> bool:
    """Let a message that was handed over go by another gateway too: no receipt has come. False when one has."""
    handed = update(MessageRow).where(MessageRow.id == message_id, MessageRow.state == HANDED)
    return touched(session, handed.values(state=QUEUED, not_before_at=now)) == 1


def take_up(session: Session, message_id: str, at: datetime) -> bool:
    """Let a message that failed on its way be sent once more, from that instant. False when it has not failed."""
    failed = update(MessageRow).where(MessageRow.id == message_id, MessageRow.state == FAILED)
    values = {
        "state": QUEUED,
        "not_before_at": at,
        "handed_gateway": None,
        "provider_id": None,
        "failed_reason": None,
        "ended_at": None,
        "receipt_checked": False,
        "taken_up": MessageRow.taken_up + 1,
    }
    return touched(session, failed.values(**values)) == 1


def leave_handed(session: Session, message_id: str, owner: str) -> bool:
    """There is no other gateway for a message that was taken back: it is with the one that has it."""
    return touched(session, _LEAVE_HANDED, {"of": message_id, "owner": owner}) == 1


def mark_failed(session: Session, message_id: str, owner: str | None, reason: str, now: datetime) -> bool:
    """Give a message up; with an owner only while leased to them. False when it was not ours to fail."""
    values = {"of": message_id, "why": reason, "now": now}
    if owner is None:
        return touched(session, _FAIL, values) == 1
    return touched(session, _FAIL_HELD, values | {"owner": owner}) == 1


def attempts_of(session: Session, message_id: str) -> list[Attempt]:
    """The attempts at a message, first to last."""
    return [Attempt(*values) for values in session.execute(_ATTEMPTS_OF, {"of": message_id})]


def copied(message: Message, step: str, now: datetime) -> NewMessage:
    """The same words to the same person by the same way, as a message of its own."""
    own: dict[str, Any] = {"step": step, "queued_at": now, "due_at": now, "not_before_at": None, "expires_at": None}
    names = [field.name for field in fields(NewMessage) if field.name not in own]
    return NewMessage(**own, **{name: getattr(message, name) for name in names})


def get(session: Session, message_id: str) -> Message | None:
    """A message as it stands."""
    found = session.execute(_GET, {"of": message_id}).first()
    return None if found is None else Message(*found)


def of_dive(session: Session, dive_id: str) -> list[Message]:
    """All messages of a dive in the order in which they were queued."""
    return [Message(*values) for values in session.execute(_OF_DIVE, {"of": dive_id})]


def count_without_dive(session: Session, club_id: str, phone: str, since: datetime, step: str = "") -> int:
    """How many messages that belong to no dive a club queued for a phone since that instant.

    `step`: only those whose step begins so.
    """
    row = MessageRow
    found = select(func.count()).where(
        row.dive_id.is_(None),
        row.club_id == club_id,
        row.phone == phone,
        row.queued_at >= since,
        row.step.startswith(step, autoescape=True),
    )
    return session.execute(found).scalar_one()


def by_provider(session: Session, gateway: str, provider_id: str) -> Message | None:
    """The message that a gateway knows by that id, also when another way has carried it again since."""
    found = session.execute(_BY_PROVIDER, {"by": gateway, "named": provider_id}).first()
    return None if found is None else Message(*found)


def is_taken(session: Session, gateway: str, provider_id: str, attempt_id: int) -> bool:
    """Whether a gateway gave this id in an attempt other than that one; nobody else asks so until the commit."""
    if not is_sqlite(session):  # where whoever writes is alone
        session.execute(_TAKES_TURNS, {"key": f"{gateway} {provider_id}"})
    of_others = {"by": gateway, "named": provider_id, "but": attempt_id}
    return session.execute(_OTHERS, of_others).first() is not None


def note_receipt_checked(session: Session, message_id: str) -> None:
    """The missing receipt of a message has been acted upon."""
    touched(session, _CHECKED, {"of": message_id})


def oldest_urgent(session: Session, now: datetime) -> datetime | None:
    """Since when the urgent message that has waited longest could have been carried; a plain read.

    One that a carrier holds, or that waits for its next try, is not waiting: the courier is at work on it.
    """
    waits: tuple[ColumnElement[bool], ...] = (
        literal_column(WAITING),
        is_waiting(now),
        of_use(now),
        _ROW.priority <= URGENT_TO,
    )
    at: datetime | None = session.execute(select(func.min(_ROW.not_before_at)).where(*waits)).scalar_one()
    return at
