"""What a club knows of the phones of its contacts: what they said, and when something of ours last reached them.

There is a row for whoever a plan has named as a contact, and for nobody else.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Literal

from sqlalchemy import Select, Update, select, update
from sqlalchemy.orm import Session

from service.domain.standing import Reach
from service.store.tables import ReachRow
from service.store.upsert import insert_or_keep, touched


def know(session: Session, club_id: str, phones: Collection[str]) -> None:
    """From now on the club keeps what it learns of these phones."""
    for phone in sorted(set(phones)):  # one order for everybody, so that none waits for another in a ring
        insert_or_keep(session, ReachRow, {"club_id": club_id, "phone": phone})


def find(session: Session, club_id: str, phones: Collection[str]) -> dict[str, Reach]:
    """What is known of those of these phones that a plan of the club has named. Opt-outs are not looked at."""
    return _read(session, _select(club_id, phones))


def hold(session: Session, club_id: str, phones: Collection[str]) -> dict[str, Reach]:
    """The same, and until the transaction ends nobody else writes it: of two plans one asks a newcomer."""
    return _read(session, _select(club_id, phones).order_by(ReachRow.phone).with_for_update())


def note_asked(session: Session, club_id: str, phones: Collection[str], now: datetime) -> None:
    """These are told what a contact does, once and for all."""
    row = ReachRow
    told = update(row).where(row.club_id == club_id, row.phone.in_(phones), row.asked_at.is_(None))
    touched(session, told.values(asked_at=now))


def decide(session: Session, club_id: str, phone: str, word: Literal["agreed", "declined"], now: datetime) -> None:
    """Note what they decided, which is a word from them too."""
    know(session, club_id, [phone])
    values = {"agreed_at" if word == "agreed" else "declined_at": now, "reached_at": now, "answered_at": now}
    touched(session, _of(club_id, phone).values(**values))


def note_delivered(session: Session, club_id: str, phone: str, now: datetime) -> None:
    """Something of ours reached that phone; nothing where no plan has named it."""
    touched(session, _of(club_id, phone).values(reached_at=now))


def note_word(session: Session, club_id: str, phone: str, now: datetime) -> None:
    """Something came from that phone or its owner's page; nothing where no plan has named it."""
    touched(session, _of(club_id, phone).values(reached_at=now, answered_at=now))


_Columns = tuple[str, datetime | None, datetime | None, datetime | None, datetime | None, datetime | None]


def _select(club_id: str, phones: Collection[str]) -> Select[*_Columns]:
    row = ReachRow
    found = select(row.phone, row.asked_at, row.agreed_at, row.declined_at, row.reached_at, row.answered_at)
    return found.where(row.club_id == club_id, row.phone.in_(phones))


def _read(session: Session, wanted: Select[*_Columns]) -> dict[str, Reach]:
    return {row.phone: Reach(*row[1:]) for row in session.execute(wanted)}


def _of(club_id: str, phone: str) -> Update:
    return update(ReachRow).where(ReachRow.club_id == club_id, ReachRow.phone == phone)
