"""What a club knows of the phones of its contacts: what they said, and when something of ours last reached them.

There is a row for whoever a plan has named as a contact, and for nobody else.
"""

from __future__ import annotations

from collections.abc import Collection
from datetime import datetime
from typing import Literal

from sqlalchemy import select, update
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
    row = ReachRow
    found = select(row.phone, row.asked_at, row.agreed_at, row.declined_at, row.reached_at, row.answered_at)
    rows = session.execute(found.where(row.club_id == club_id, row.phone.in_(phones)))
    return {phone: Reach(*values) for phone, *values in rows}


def ask(session: Session, club_id: str, phone: str, now: datetime) -> bool:
    """Note that they are told what is asked of them; False when they had been. Two at once: one of them gets True."""
    row = ReachRow
    first = update(row).where(row.club_id == club_id, row.phone == phone, row.asked_at.is_(None))
    return touched(session, first.values(asked_at=now)) == 1


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


def _of(club_id: str, phone: str):  # noqa: ANN202
    return update(ReachRow).where(ReachRow.club_id == club_id, ReachRow.phone == phone)
