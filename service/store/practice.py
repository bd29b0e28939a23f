"""The practice phones of the demo: what they sent and got, and which are switched on."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

from sqlalchemy import ColumnElement, false, or_, select, true, update
from sqlalchemy.orm import Session

from service.domain.people import Channel
from service.store.tables import MessageRow, PracticeMessageRow, PracticePhoneRow
from service.store.upsert import insert_or_keep, touched

TO_PHONE: Final = "to_phone"
FROM_PHONE: Final = "from_phone"


@dataclass(frozen=True, slots=True)
class PracticeMessage:
    """One text, call or e-mail of a practice phone.

    `delivered`: the phone was on, or it sent the text itself; of a call, that a key was pressed. `to_phone` of an
    e-mail is its address. `ended` says how a call ended, and is None while it rings.
    """

    id: int
    to_phone: str
    from_phone: str
    body: str
    direction: str
    at: datetime
    sid: str
    delivered: bool
    channel: str
    subject: str | None
    answer_url: str | None
    ended: str | None


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
    _ROW.channel,
    _ROW.subject,
    _ROW.answer_url,
    _ROW.ended,
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
    channel: Channel = Channel.TEXT,
    subject: str | None = None,
    answer_url: str | None = None,
    ended: str | None = None,
) -> bool:
    """Keep a text, a call or an e-mail; False when there is one of that sid."""
    values = {
        "to_phone": to_phone,
        "from_phone": from_phone,
        "body": body,
        "channel": str(channel),
        "subject": subject,
        "answer_url": answer_url,
        "ended": ended,
        "direction": direction,
        "at": at,
        "sid": sid,
        "delivered": delivered,
    }
    return insert_or_keep(session, PracticeMessageRow, values)


def of_phone(session: Session, phone: str) -> list[PracticeMessage]:
    """All that went to and from a phone, first to last."""
    return _found(session, or_(_ROW.to_phone == phone, _ROW.from_phone == phone))


def all_messages(session: Session) -> list[PracticeMessage]:
    """All that went to and from all practice phones, first to last."""
    return _found(session, true())


def undelivered(session: Session, phone: str) -> list[PracticeMessage]:
    """Texts that wait for a phone to be switched on, first to last."""
    waiting = (_ROW.delivered == false(), _ROW.direction == TO_PHONE, _ROW.channel == Channel.TEXT)
    return _found(session, _ROW.to_phone == phone, *waiting)


def all_texts(session: Session) -> list[PracticeMessage]:
    """All texts alone, first to last."""
    return _found(session, _ROW.channel == Channel.TEXT)


def ringing(session: Session) -> list[PracticeMessage]:
    """The calls that ring, first to last."""
    return _found(session, _ROW.channel == Channel.CALL, _ROW.ended.is_(None))


def end_call(session: Session, sid: str, ended: str, *, delivered: bool) -> bool:
    """Note how a call ended; False when it had ended already."""
    rings = (_ROW.sid == sid, _ROW.channel == Channel.CALL, _ROW.ended.is_(None))
    return touched(session, update(_ROW).where(*rings).values(ended=ended, delivered=delivered)) == 1


def mark_delivered(session: Session, message_id: int) -> None:
    """The phone got the text."""
    touched(session, update(_ROW).where(_ROW.id == message_id).values(delivered=True))


def phones_by_address(session: Session) -> dict[str, str]:
    """The phone of everybody to whose e-mail address the service has written something."""
    found = select(MessageRow.email, MessageRow.phone).where(MessageRow.email.is_not(None)).distinct()
    return {address: phone for address, phone in session.execute(found) if address is not None}


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
    return [PracticeMessage(**values) for values in session.execute(found).mappings()]
