"""What a club knows of the phones of its contacts: what they said, and when something of ours last reached them.

There is a row for whoever a plan has named as a contact, and for nobody else.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Any, Final, Literal

from sqlalchemy import Select, bindparam, select, update
from sqlalchemy.orm import Session

from service.domain.standing import Reach
from service.store.among import among
from service.store.tables import ReachRow
from service.store.types import UTCDateTime
from service.store.upsert import insert_or_keep, table, touched

_ROW = table(ReachRow).c
_THESE = among(_ROW.phone, "phones")
_FIND = select(_ROW.phone, _ROW.asked_at, _ROW.agreed_at, _ROW.declined_at, _ROW.reached_at, _ROW.answered_at).where(
    _ROW.club_id == bindparam("club"), _THESE
)
_HOLD = _FIND.order_by(_ROW.phone).with_for_update()
_NOW: Final = bindparam("now", type_=UTCDateTime())
_ASKED = (
    update(table(ReachRow))
    .where(_ROW.club_id == bindparam("club"), _THESE, _ROW.asked_at.is_(None))
    .values(asked_at=_NOW)
)
_ONE = update(table(ReachRow)).where(_ROW.club_id == bindparam("club"), _ROW.phone == bindparam("whose"))
_DELIVERED = _ONE.values(reached_at=_NOW)
_WORD = _ONE.values(reached_at=_NOW, answered_at=_NOW)
_AGREED = _WORD.values(agreed_at=_NOW)
_DECLINED = _WORD.values(declined_at=_NOW)


def know(session: Session, club_id: str, phones: Collection[str]) -> None:
    """From now on the club keeps what it learns of these phones."""
    for phone in sorted(set(phones)):  # one order for everybody, so that none waits for another in a ring
        insert_or_keep(session, ReachRow, {"club_id": club_id, "phone": phone})


def find(session: Session, club_id: str, phones: Collection[str]) -> dict[str, Reach]:
    """What is known of those of these phones that a plan of the club has named. Opt-outs are not looked at."""
    return _read(session, _FIND, club_id, phones)


def hold(session: Session, club_id: str, phones: Collection[str]) -> dict[str, Reach]:
    """The same, and until the transaction ends nobody else writes it: of two plans one asks a newcomer."""
    return _read(session, _HOLD, club_id, phones)


def note_asked(session: Session, club_id: str, phones: Collection[str], now: datetime) -> None:
    """These are told what a contact does, once and for all."""
    touched(session, _ASKED, {"club": club_id, "phones": list(phones), "now": now})


def decide(session: Session, club_id: str, phone: str, word: Literal["agreed", "declined"], now: datetime) -> None:
    """Note what they decided, which is a word from them too."""
    know(session, club_id, [phone])
    touched(session, _AGREED if word == "agreed" else _DECLINED, {"club": club_id, "whose": phone, "now": now})


def note_delivered(session: Session, club_id: str, phone: str, now: datetime) -> None:
    """Something of ours reached that phone; nothing where no plan has named it."""
    touched(session, _DELIVERED, {"club": club_id, "whose": phone, "now": now})


def note_word(session: Session, club_id: str, phone: str, now: datetime) -> None:
    """Something came from that phone or its owner's page; nothing where no plan has named it."""
    touched(session, _WORD, {"club": club_id, "whose": phone, "now": now})


def _read(session: Session, wanted: Select[Any], club_id: str, phones: Collection[str]) -> dict[str, Reach]:
    found = session.execute(wanted, {"club": club_id, "phones": list(phones)})
    return {row.phone: Reach(*row[1:]) for row in found}
