"""The practice phones of the demo: what they sent and got, and which are switched on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from sqlalchemy import ColumnElement, false, or_, select, true, update
from sqlalchemy.orm import Session

from service.store.tables import PracticeMessageRow, PracticePhoneRow
from service.store.upsert import insert_or_keep, touched

TO_PHONE: Final = "to_phone"
FROM_PHONE: Final = "from_phone"


@dataclass(frozen=True, slots=True)
class PracticeMessage:
    """One text on a practice phone. `delivered`: the phone was on, or it sent the text itself."""

    id: int
    to_phone: str
    from_phone: str
    body: str
    direction: str
    at: datetime
    sid: str
    delivered: bool


_ROW = PracticeMessageRow
_COLUMNS = (
    _ROW.id,
    _ROW.to_phone,
    _ROW.from_phone,
    _ROW.body,
    _ROW.direction,
    _ROW.at,
    _ROW.sid,
    _ROW.delivered,
)


def add(
    session: Session,
    *,
    to_phone: str,
    from_phone: str,
    body: str,
    direction: Literal["to_phone", "from_phone"],
    at: datetime,
    sid: str,
    delivered: bool,
) -> bool:
    """Keep a text; False when there is one of that sid."""
    values = {
        "to_phone": to_phone,
        "from_phone": from_phone,
        "body": body,
        "channel": "text",
        "direction": direction,
        "at": at,
        "sid": sid,
        "delivered": delivered,
    }
    return insert_or_keep(session, PracticeMessageRow, values)


def of_phone(session: Session, phone: str) -> list[PracticeMessage]:
    """All texts to and from a phone, first to last."""
    return _found(session, or_(_ROW.to_phone == phone, _ROW.from_phone == phone))


def all_messages(session: Session) -> list[PracticeMessage]:
    """All texts of all practice phones, first to last."""
    return _found(session, true())


def undelivered(session: Session, phone: str) -> list[PracticeMessage]:
    """Texts that wait for a phone to be switched on, first to last."""
    waiting = _ROW.delivered == false()
    return [text for text in _found(session, _ROW.to_phone == phone, waiting) if text.direction == TO_PHONE]


def mark_delivered(session: Session, message_id: int) -> None:
    """The phone got the text."""
    touched(session, update(_ROW).where(_ROW.id == message_id).values(delivered=True))


def is_on(session: Session, phone: str) -> bool:
    """Whether a practice phone is switched on; it is unless somebody switched it off."""
    found = session.execute(select(PracticePhoneRow.on).where(PracticePhoneRow.phone == phone)).scalar_one_or_none()
    return found is not False


def switch(session: Session, phone: str, *, on: bool) -> None:
    """Switch a practice phone on or off."""
    if not insert_or_keep(session, PracticePhoneRow, {"phone": phone, "on": on}):
        touched(session, update(PracticePhoneRow).where(PracticePhoneRow.phone == phone).values(on=on))


def _found(session: Session, *conditions: ColumnElement[bool]) -> list[PracticeMessage]:
    found = select(*_COLUMNS).where(*conditions).order_by(_ROW.id)
    return [PracticeMessage(*values) for values in session.execute(found)]
