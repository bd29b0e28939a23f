"""Wishes to be erased, and what a club has of one phone outside of dives. Nothing here commits or decides."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import ColumnElement, delete, exists, func, or_, select, update
from sqlalchemy.orm import Session

from service.store import log, people, retention
from service.store.ids import new_id
from service.store.inbound import STORED
from service.store.outbox import LEASED, QUEUED
from service.store.tables import (
    DivePhoneRow,
    DiveRow,
    ErasureRow,
    InboundTextRow,
    JoinRow,
    LogEntryRow,
    MessageRow,
    ReachRow,
    WrongCodeRow,
)
from service.store.upsert import insert_rows, touched

_AT_ONCE = 500


@dataclass(frozen=True, slots=True)
class DiveOfPhone:
    """A dive that a phone belongs to, as far as erasing asks. `carried`: a message of it is still on its way."""

    id: str
    reference: str
    site_name: str
    closed_at: datetime | None
    kept: bool
    carried: bool


def ask(session: Session, club_id: str, *, phone: str, name: str, asked_by: str, now: datetime) -> str:
    """Somebody is to be erased; the id of the wish."""
    wish = {"id": new_id(), "club_id": club_id, "phone": phone, "name": name, "asked_by": asked_by, "asked_at": now}
    insert_rows(session, ErasureRow, wish)
    return str(wish["id"])


def waiting(session: Session, limit: int) -> list[tuple[str, str]]:
    """Club and id of wishes that are not done, in no order: those that wait for years keep no other waiting."""
    row = ErasureRow
    found = select(row.club_id, row.id).where(row.done_at.is_(None)).order_by(func.random()).limit(limit)
    return [(club_id, wish_id) for club_id, wish_id in session.execute(found)]


def hold(session: Session, wish_id: str) -> ErasureRow | None:
    """A wish that is not done, kept from others until this transaction ends."""
    row = ErasureRow
    found = select(row).where(row.id == wish_id, row.done_at.is_(None)).with_for_update()
    return session.scalars(found.execution_options(populate_existing=True)).one_or_none()


def get(session: Session, wish_id: str) -> ErasureRow | None:
    """A wish that is not done."""
    row = ErasureRow
    return session.scalars(select(row).where(row.id == wish_id, row.done_at.is_(None))).one_or_none()


def is_waiting(session: Session, club_id: str, phone: str) -> bool:
    """Whether somebody with that phone is to be erased already."""
    row = ErasureRow
    found = select(exists().where(row.club_id == club_id, row.phone == phone, row.done_at.is_(None)))
    return bool(session.execute(found).scalar_one())


def listing(session: Session, club_id: str, limit: int) -> list[ErasureRow]:
    """The wishes of a club, the latest first."""
    row = ErasureRow
    found = select(row).where(row.club_id == club_id).order_by(row.asked_at.desc(), row.id).limit(limit)
    return list(session.scalars(found.execution_options(populate_existing=True)))


def mark_done(session: Session, wish_id: str, now: datetime) -> None:
    """All is gone, so the wish forgets whose it was."""
    done = update(ErasureRow).where(ErasureRow.id == wish_id).values(done_at=now, phone=None, name=None)
    touched(session, done)


def dives_of(session: Session, club_id: str, phone: str) -> list[DiveOfPhone]:
    """The dives of a club that a phone belongs to and that still know it, the first filed first."""
    row = DiveRow
    theirs = exists().where(DivePhoneRow.dive_id == row.id, DivePhoneRow.phone == phone)
    carried = exists().where(MessageRow.dive_id == row.id, MessageRow.state.in_((QUEUED, LEASED)))
    found = (
        select(row.id, row.reference, row.site_name, row.closed_at, row.kept_at, carried)
        .where(row.club_id == club_id, theirs)
        .order_by(row.filed_at, row.id)
    )
    return [
        DiveOfPhone(dive_id, reference, site, closed_at, kept_at is not None, on_its_way)
        for dive_id, reference, site, closed_at, kept_at, on_its_way in session.execute(found)
    ]


def lock_dives(session: Session, dive_ids: Collection[str]) -> None:
    """Keep dives from others until this transaction ends, in one order."""
    session.execute(select(DiveRow.id).where(DiveRow.id.in_(dive_ids)).order_by(DiveRow.id).with_for_update()).all()


def forget_person(session: Session, club_id: str, phone: str) -> list[str]:
    """Take a phone out of the list of people, of everybody's contacts, and of the joining forms; whose contacts."""
    known = people.by_phone(session, club_id, phone)
    if known is not None:
        people.remove(session, club_id, known.id)
    named_by = []
    for row in people.listing(session, club_id):
        left = [one for one in row.usual_contacts if one["phone"] != phone]
        if len(left) < len(row.usual_contacts):
            people.change(session, club_id, row.id, {"usual_contacts": left})
            named_by.append(row.name)
    form = JoinRow
    naming = [
        token_hash
        for token_hash, contacts in session.execute(
            select(form.token_hash, form.usual_contacts).where(form.club_id == club_id)
        )
        if any(one["phone"] == phone for one in contacts)
    ]
    theirs = or_(form.proved_phone == phone, form.sent_to == phone, form.token_hash.in_(naming))
    touched(session, delete(form).where(form.club_id == club_id, theirs))
    return named_by


def forget_reach(session: Session, club_id: str, receiving_number: str, phone: str) -> None:
    """Forget when they were asked and reached, and their wrong codes."""
    touched(session, delete(ReachRow).where(ReachRow.club_id == club_id, ReachRow.phone == phone))
    wrong = WrongCodeRow
    touched(session, delete(wrong).where(wrong.receiving_number == receiving_number, wrong.phone == phone))


def loose_entries(session: Session, club_id: str, receiving_number: str, phone: str) -> list[int]:
    """The entries of the club's chain with a phone in them, but for those of texts that belong to a dive."""
    text = InboundTextRow
    of_dives = select(text.id).where(*_texts_from(receiving_number, phone), text.dive_id.is_not(None))
    return _entries_of(session, log.club_chain(club_id), phone, set(session.execute(of_dives).scalars()))


def text_waits(session: Session, receiving_number: str, phone: str) -> bool:
    """Whether a text of a phone waits for its answer: nobody knows yet what it is, or whose dive."""
    waits = exists().where(*_texts_from(receiving_number, phone), InboundTextRow.state == STORED)
    return bool(session.execute(select(waits)).scalar_one())


def erase_loose(session: Session, club_id: str, receiving_number: str, phone: str) -> None:
    """Erase texts and messages of a phone that belong to no dive. Those of dives that are kept stay."""
    text, message = InboundTextRow, MessageRow
    loose = select(text.id).where(*_texts_from(receiving_number, phone), text.dive_id.is_(None), text.state != STORED)
    retention.blank_texts(session, list(session.execute(loose).scalars()))
    unsent = message.state.not_in((QUEUED, LEASED))
    theirs = (message.club_id == club_id, message.dive_id.is_(None), message.phone == phone, unsent)
    retention.erase_messages(session, message.id.in_(select(message.id).where(*theirs)))


def _texts_from(receiving_number: str, phone: str) -> tuple[ColumnElement[bool], ...]:
    senders = (phone, phone.removeprefix("+"))
    return InboundTextRow.receiver == receiving_number, InboundTextRow.sender.in_(senders)


def _entries_of(session: Session, chain: str, phone: str, of_dives: Collection[int]) -> list[int]:
    """The entries of a chain that have a phone in them, but for the texts of these ids."""
    row = LogEntryRow
    digits = phone.removeprefix("+")
    has = or_(row.detail.contains(digits, autoescape=True), row.actor.contains(digits, autoescape=True))
    found: list[int] = []
    last = 0
    while True:
        some = session.execute(
            select(row.id, row.seq, row.detail)
            .where(row.chain == chain, row.seq > last, row.detail.is_not(None), has)
            .order_by(row.seq)
            .limit(_AT_ONCE)
        ).all()
        found += [one.id for one in some if _inbound(one.detail) not in of_dives]
        if len(some) < _AT_ONCE:
            return found
        last = some[-1].seq


def _inbound(detail: str | None) -> Any:
    return json.loads(detail or "{}").get("inbound")
