"""Texts that came in: kept once per provider id, answered or put aside, never lost."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, fields
from datetime import datetime
from typing import Any, Final

from sqlalchemy import bindparam, delete, exists, func, insert, literal, or_, select, update
from sqlalchemy.orm import Session

from service.store.among import among, one_of
from service.store.tables import InboundTextRow, WrongCodeRow
from service.store.types import Words
from service.store.upsert import insert_or_keep_all_numbered, insert_or_keep_numbered, table, touched, update_rows

STORED: Final = "stored"
ANSWERED: Final = "answered"
QUARANTINED: Final = "quarantined"
SAME: Final = "same"


@dataclass(frozen=True, slots=True)
class Brought:
    """A text that a gateway brought, as far as it can be compared with another."""

    id: int
    sender: str
    body: str
    received_at: datetime


@dataclass(frozen=True, slots=True)
class Said:
    """What a text about a dive was, when a gateway had it, and what was noted as it was read."""

    intent: str
    came_at: datetime
    note: str | None = None


@dataclass(frozen=True, slots=True)
class Stored:
    """A text that was stored: when a gateway had it, and when it was read and acted upon; None for one put aside."""

    received_at: datetime
    answered_at: datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NewText:
    """What is kept of a text that comes in."""

    gateway: str
    provider_id: str
    sender: str
    receiver: str
    body: str
    raw: dict[str, Any]
    received_at: datetime
    authentic: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Locked(NewText):
    """A text that is kept from everybody else."""

    id: int
    state: str


def store(session: Session, text: NewText, same_as: int | None = None) -> int | None:
    """Keep a text and return its id; None when this gateway brought the same id before.

    One that is not authentic is put aside at once, and does not stand in the way of the real text of that id. One that
    is the same as that which another gateway brought waits for no answer.
    """
    return insert_or_keep_numbered(session, InboundTextRow, _row(text, same_as))


def store_all(session: Session, texts: Sequence[NewText]) -> dict[str, int]:
    """Keep texts that one gateway brought, each under another id; our ids of those that it had not brought before.

    They are by the gateway's ids, and rise as the texts were given.
    """
    return insert_or_keep_all_numbered(session, InboundTextRow, "provider_id", [_row(text, None) for text in texts])


def mark_same(session: Session, same_as: Mapping[int, int]) -> None:
    """These texts, by id, are those that another gateway brought, and wait for no answer."""
    given = [{"of": of, "same_as": same, "state": SAME} for of, same in same_as.items()]
    update_rows(session, InboundTextRow, {"id": "of"}, given)


def _row(text: NewText, same_as: int | None) -> dict[str, Any]:
    row = {one.name: getattr(text, one.name) for one in fields(NewText)} | {
        "tries": 0,
        "note": None,
        "same_as": same_as,
    }
    if not text.authentic:
        return row | {"state": QUARANTINED, "note": "not authentic"}
    return row | {"state": STORED if same_as is None else SAME}


# Asked at every text that comes in, so built once.
_TEXT = table(InboundTextRow)
_DOUBLE = _TEXT.alias("double")
_BROUGHT = tuple(_TEXT.c[one.name] for one in fields(Brought))
_GATEWAY, _WORDS = bindparam("by", type_=Words), bindparam("words", type_=Words)
_BY_OTHERS = (
    select(*_BROUGHT)
    .where(
        _TEXT.c.receiver == bindparam("to"),
        _TEXT.c.received_at.between(bindparam("since"), bindparam("until")),
        _TEXT.c.authentic,
        one_of(
            _TEXT.c.state, STORED, ANSWERED, QUARANTINED
        ),  # all but SAME: so named, an index finds them by their time
        _TEXT.c.gateway != _GATEWAY,
        # Both databases know this way to ask whether the words are somewhere in it.
        or_(literal("", Words) == _WORDS, func.replace(_TEXT.c.body, _WORDS, literal("", Words)) != _TEXT.c.body),
        ~exists().where(_DOUBLE.c.same_as == _TEXT.c.id, _DOUBLE.c.gateway == _GATEWAY),
    )
    .order_by(_TEXT.c.received_at, _TEXT.c.id)
)


_OTHERS_BROUGHT_ANY = select(
    exists().where(
        _TEXT.c.receiver == bindparam("to"),
        _TEXT.c.received_at.between(bindparam("since"), bindparam("until")),
        _TEXT.c.authentic,
        one_of(_TEXT.c.state, STORED, ANSWERED, QUARANTINED),
        _TEXT.c.gateway != _GATEWAY,
    )
)


def others_brought_any(session: Session, *, gateway: str, receiver: str, since: datetime, until: datetime) -> bool:
    """Whether another gateway brought an authentic text to that number in that time."""
    given = {"by": gateway, "to": receiver, "since": since, "until": until}
    return bool(session.execute(_OTHERS_BROUGHT_ANY, given).scalar_one())


def by_others(
    session: Session, *, gateway: str, receiver: str, words: str, since: datetime, until: datetime
) -> list[Brought]:
    """Authentic texts to a number in that time, first to last, with these words somewhere in them.

    None that this gateway has brought in any form: neither those that it brought itself, nor those of which it brought
    the double, nor doubles.
    """
    given = {"by": gateway, "to": receiver, "words": words, "since": since, "until": until}
    return [Brought(*values) for values in session.execute(_BY_OTHERS, given)]


_KNOWN = select(_TEXT.c.provider_id).where(
    _TEXT.c.gateway == bindparam("by"),
    _TEXT.c.authentic,
    among(_TEXT.c.provider_id, "named"),
)
_UNDER = select(*_BROUGHT).where(
    _TEXT.c.gateway == bindparam("by"), _TEXT.c.provider_id == bindparam("named"), _TEXT.c.authentic
)
_CAME_AT = select(_TEXT.c.received_at).where(_TEXT.c.id == bindparam("of"))
_ANSWERED = (
    update(_TEXT)
    .where(_TEXT.c.id == bindparam("of"))
    .values(
        state=ANSWERED,
        answered_at=bindparam("now"),
        club_id=bindparam("club"),
        dive_id=bindparam("dive"),
        intent=bindparam("meant"),
        note=bindparam("noted"),
    )
)


def known(session: Session, gateway: str, provider_ids: Collection[str]) -> set[str]:
    """Those of the ids under which this gateway has brought an authentic text."""
    return set(session.execute(_KNOWN, {"by": gateway, "named": list(provider_ids)}).scalars())


def under(session: Session, gateway: str, provider_id: str) -> Brought | None:
    """The authentic text that this gateway brought under that id."""
    found = session.execute(_UNDER, {"by": gateway, "named": provider_id}).first()
    return None if found is None else Brought(*found)


def brought_by(session: Session, gateway: str, provider_ids: Collection[str]) -> dict[str, Stored]:
    """The authentic texts that this gateway brought under these ids, by id."""
    row = InboundTextRow
    found = select(row.provider_id, row.received_at, row.answered_at, row.state).where(
        row.gateway == gateway, row.provider_id.in_(provider_ids), row.authentic
    )
    return {
        key: Stored(received_at, answered_at if state == ANSWERED else None)
        for key, received_at, answered_at, state in session.execute(found)
    }


def refused_last(session: Session, since: datetime) -> list[str]:
    """The gateways whose last text since that instant was not authentic, in order."""
    row = InboundTextRow
    last = select(func.max(row.id)).where(row.received_at >= since).group_by(row.gateway)
    found = select(row.gateway).where(row.id.in_(last), ~row.authentic).order_by(row.gateway)
    return list(session.execute(found).scalars())


def unanswered(session: Session, limit: int, older_than: datetime) -> list[int]:
    """The ids of texts that came before that instant and wait for an answer, first to last."""
    row = InboundTextRow
    found = select(row.id).where(row.state == STORED, row.received_at < older_than).order_by(row.id).limit(limit)
    return list(session.execute(found).scalars())


def came_at(session: Session, inbound_id: int) -> datetime:
    """When a gateway had that text."""
    at: datetime = session.execute(_CAME_AT, {"of": inbound_id}).scalar_one()
    return at


def about(session: Session, dive_id: str) -> list[Said]:
    """The texts about a dive that were read and acted upon."""
    row = InboundTextRow
    found = select(row.intent, row.received_at, row.note).where(row.dive_id == dive_id, row.state == ANSWERED)
    return [Said(intent or "", at, note) for intent, at, note in session.execute(found)]


_LOCKED = (
    select(*(_TEXT.c[one.name] for one in fields(Locked)))
    .where(_TEXT.c.id == bindparam("of"))
    .with_for_update(key_share=True)
)


def lock_one(session: Session, inbound_id: int) -> Locked | None:
    """A text, kept from everybody else until this transaction ends."""
    row = session.execute(_LOCKED, {"of": inbound_id}).first()
    return None if row is None else Locked(**row._mapping)  # noqa: SLF001 - how a row is taken by its names


def mark_answered(
    session: Session,
    inbound_id: int,
    *,
    club_id: str | None,
    dive_id: str | None,
    intent: str | None,
    note: str | None,
    now: datetime,
) -> None:
    """The text was read and acted upon."""
    values = {"of": inbound_id, "now": now, "club": club_id, "dive": dive_id, "meant": intent, "noted": note}
    touched(session, _ANSWERED, values)


def quarantine(session: Session, inbound_id: int, *, note: str, now: datetime) -> None:
    """Put a text aside for a person to look at; it is not tried again."""
    aside = update(InboundTextRow).where(InboundTextRow.id == inbound_id)
    touched(session, aside.values(state=QUARANTINED, answered_at=now, note=note))


def count_try(session: Session, inbound_id: int) -> int:
    """One more failed try to answer a text; how many that makes."""
    tried = update(InboundTextRow).where(InboundTextRow.id == inbound_id)
    touched(session, tried.values(tries=InboundTextRow.tries + 1))
    return session.execute(select(InboundTextRow.tries).where(InboundTextRow.id == inbound_id)).scalar_one()


def alike_since(
    session: Session, receiver: str, sender: str, since: datetime, *, intent: str, but_noted: str
) -> list[str]:
    """The texts with that intent that a sender has sent since that instant and since any other text of theirs.

    Those whose note has the words `but_noted` do not count, nor do those that wait to be read.
    """
    row = InboundTextRow
    theirs = (row.state == ANSWERED, row.received_at >= since, row.receiver == receiver, row.sender == sender)
    other = select(func.coalesce(func.max(row.id), 0)).where(*theirs, row.intent != intent).scalar_subquery()
    noted = func.coalesce(row.note, "").contains(but_noted, autoescape=True)
    alike = select(row.body).where(*theirs, row.intent == intent, row.id > other, ~noted)
    return list(session.execute(alike).scalars())


def note_wrong_code(session: Session, receiving_number: str, phone: str, at: datetime) -> None:
    """A code from this phone opened nothing."""
    session.execute(insert(WrongCodeRow).values(receiving_number=receiving_number, phone=phone, at=at))


_WRONG = table(WrongCodeRow).c
_WRONG_SINCE = select(func.count()).where(
    _WRONG.receiving_number == bindparam("to"), _WRONG.phone == bindparam("by"), _WRONG.at > bindparam("since")
)


def wrong_codes_since(session: Session, receiving_number: str, phone: str, since: datetime) -> int:
    """How many wrong codes this phone has sent after that instant."""
    given = {"to": receiving_number, "by": phone, "since": since}
    return session.execute(_WRONG_SINCE, given).scalar_one()


def forget_wrong_codes(session: Session, before: datetime, limit: int) -> int:
    """Delete up to `limit` wrong codes that are older than that instant, the oldest first; how many there were."""
    row = WrongCodeRow
    old = select(row.id).where(row.at < before).order_by(row.id).limit(limit)
    return touched(session, delete(row).where(row.id.in_(old)))
