"""Parts of long texts: kept once per provider id, and tied to the text that they were put together to."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime

from sqlalchemy import Select, bindparam, select, true, update
from sqlalchemy.orm import Session

from service.store.tables import InboundPartRow, InboundTextRow
from service.store.upsert import insert_or_keep, table, touched


@dataclass(frozen=True, slots=True)
class Key:
    """What the parts of one text have in common. Phones use a reference again, so it is not enough alone."""

    gateway: str
    sender: str
    receiver: str
    reference: str
    of: int


@dataclass(frozen=True, slots=True)
class Part:
    """One part; `inbound_id` is the text that it went into, None while it waits for others."""

    id: int
    key: Key
    number: int
    body: str
    received_at: datetime
    inbound_id: int | None


_TEXT, _PART = table(InboundTextRow).c, table(InboundPartRow).c
_KNOWN = select(_TEXT.id).where(
    _TEXT.gateway == bindparam("by"), _TEXT.provider_id == bindparam("named"), _TEXT.authentic.is_(true())
)
_KEPT = select(_PART.id).where(_PART.gateway == bindparam("by"), _PART.provider_id == bindparam("named"))


def add(session: Session, key: Key, *, provider_id: str, number: int, body: str, received_at: datetime) -> int | None:
    """Keep a part and return its id; None when this gateway brought the same id before, as a part or as a text."""
    named = {"by": key.gateway, "named": provider_id}
    if session.execute(_KNOWN, named).first() is not None:
        return None
    values = {
        "gateway": key.gateway,
        "provider_id": provider_id,
        "sender": key.sender,
        "receiver": key.receiver,
        "reference": key.reference,
        "of": key.of,
        "number": number,
        "body": body,
        "received_at": received_at,
    }
    if not insert_or_keep(session, InboundPartRow, values):
        return None
    part_id: int = session.execute(_KEPT, named).scalar_one()
    return part_id


def under(session: Session, gateway: str, provider_id: str) -> Part | None:
    """The part that this gateway brought under that id."""
    row = InboundPartRow
    found = _parts(session, _selected().where(row.gateway == gateway, row.provider_id == provider_id))
    return found[0] if found else None


def alike(session: Session, key: Key, since: datetime) -> list[Part]:
    """The parts with this key since that instant, in the order in which they came."""
    row = InboundPartRow
    found = _selected().where(
        row.gateway == key.gateway,
        row.sender == key.sender,
        row.receiver == key.receiver,
        row.reference == key.reference,
        row.of == key.of,
        row.received_at >= since,
    )
    return _parts(session, found)


def waiting(session: Session, before: datetime, limit: int) -> list[Part]:
    """Parts that came before that instant and went into no text yet, the first first."""
    row = InboundPartRow
    return _parts(session, _selected().where(row.inbound_id.is_(None), row.received_at < before).limit(limit))


def unjoined(session: Session, key: Key) -> list[Part]:
    """All parts with this key that went into no text yet."""
    row = InboundPartRow
    found = _selected().where(
        row.inbound_id.is_(None),
        row.gateway == key.gateway,
        row.sender == key.sender,
        row.receiver == key.receiver,
        row.reference == key.reference,
        row.of == key.of,
    )
    return _parts(session, found)


def tie(session: Session, part_ids: Collection[int], inbound_id: int) -> None:
    """These parts went into that text."""
    row = InboundPartRow
    touched(session, update(row).where(row.id.in_(part_ids)).values(inbound_id=inbound_id))


def _selected() -> Select[InboundPartRow]:
    return select(InboundPartRow).order_by(InboundPartRow.id)


def _parts(session: Session, found: Select[InboundPartRow]) -> list[Part]:
    # Read anew, since rows are changed by statements and not through the session.
    rows = session.execute(found, execution_options={"populate_existing": True}).scalars()
    return [
        Part(
            id=row.id,
            key=Key(row.gateway, row.sender, row.receiver, row.reference, row.of),
            number=row.number,
            body=row.body,
            received_at=row.received_at,
            inbound_id=row.inbound_id,
        )
        for row in rows
    ]
