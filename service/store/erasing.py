"""Wishes to be erased, and what a club has of one phone outside of dives. Nothing here commits or decides."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from sqlalchemy import (
    ColumnElement,
    Select,
    Text,
    and_,
    cast,
    delete,
    exists,
    func,
    literal_column,
    or_,
    select,
    update,
)
from sqlalchemy.orm import Session, aliased

from service.domain.phone import PhoneError, read_phone
from service.store import log, people, retention
from service.store.ids import new_id
from service.store.inbound import STORED
from service.store.outbox import LEASED, QUEUED
from service.store.tables import (
    DivePhoneRow,
    DiveRow,
    ErasureRow,
    InboundPartRow,
    InboundTextRow,
    JoinRow,
    LogEntryRow,
    MessageRow,
    ReachRow,
    ReceiptRow,
    WrongCodeRow,
)
from service.store.upsert import insert_rows, touched

_AT_ONCE = 500
_DIVES_AT_ONCE = 100
# As an index has it, and not as a parameter: else all texts that ever came are looked through.
_UNERASED = InboundTextRow.sender != literal_column("''")


@dataclass(frozen=True, slots=True)
class Traces:
    """Where a phone was found: as what gateways wrote it when it texted, and in which dives anything has it."""

    phone: str
    senders: frozenset[str]
    dive_ids: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class DiveOfPhone:
    """A dive that knows a phone, as far as erasing asks. `carried`: a message of it is still on its way."""

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


def senders_of(session: Session, receiving_number: str, country: str, phone: str) -> frozenset[str]:
    """All that a phone is called by gateways that brought its texts: some write it as it is dialled at home."""
    text, part = InboundTextRow, InboundPartRow
    named = [
        *session.execute(select(text.sender).where(text.receiver == receiving_number, _UNERASED).distinct()).scalars(),
        *session.execute(select(part.sender).where(part.receiver == receiving_number).distinct()).scalars(),
    ]
    return frozenset({phone, phone.removeprefix("+"), *(one for one in named if _reads_as(one, country) == phone)})


def _reads_as(sender: str, country: str) -> str | None:
    try:
        return read_phone(sender, country)
    except PhoneError:
        return None


def dives_with(
    session: Session, club_id: str, receiving_number: str, traces: Traces, beyond: str
) -> tuple[list[str], str | None]:
    """Which of the next dives of a club, by id, have a phone anywhere, and beyond which to go on; None at the end.

    Not only those that it belongs to: whoever lends a phone for a code, or is told something as an admin, is in the
    log, the messages and the row of a dive too. A block is read in a moment: on SQLite nobody commits while it is.
    """
    row = DiveRow
    unerased = select(row.id).where(row.club_id == club_id, row.erased_at.is_(None), row.id > beyond)
    block = list(session.execute(unerased.order_by(row.id).limit(_DIVES_AT_ONCE)).scalars())
    found: set[str] = set()
    for way in _ways_into(block, receiving_number, traces):
        found |= set(session.execute(way).scalars())
    return sorted(found), block[-1] if len(block) == _DIVES_AT_ONCE else None


def _ways_into(dive_ids: list[str], receiving_number: str, traces: Traces) -> tuple[Select[Any], ...]:
    """All by which one of these dives can have a phone."""
    of, message, text, entry = DivePhoneRow, MessageRow, InboundTextRow, LogEntryRow
    whole = f'{traces.phone}"'  # as JSON has a number that is no part of a longer one, also in "phone:+44..."
    logged = or_(entry.detail.contains(whole, autoescape=True), entry.actor.contains(whole, autoescape=True))
    chains = [log.dive_chain(dive_id) for dive_id in dive_ids]
    return (
        select(of.dive_id).where(of.dive_id.in_(dive_ids), of.phone == traces.phone),
        select(message.dive_id).where(message.dive_id.in_(dive_ids), message.phone == traces.phone),
        select(text.dive_id).where(text.dive_id.in_(dive_ids), *_texts_from(receiving_number, traces.senders)),
        select(DiveRow.id).where(DiveRow.id.in_(dive_ids), DiveRow.state.contains(whole, autoescape=True)),
        select(entry.dive_id).where(entry.chain.in_(chains), entry.detail.is_not(None), logged),
    )


def dives_of(session: Session, club_id: str, receiving_number: str, traces: Traces) -> list[DiveOfPhone]:
    """The dives of a club that know a phone, the first filed first.

    Those of `traces`, and what was filed or texted since it was looked for.
    """
    row, of, text = DiveRow, DivePhoneRow, InboundTextRow
    belongs = select(of.dive_id).where(of.receiving_number == receiving_number, of.phone == traces.phone)
    texted = select(text.dive_id).where(*_texts_from(receiving_number, traces.senders), text.dive_id.is_not(None))
    ids = {*traces.dive_ids, *session.execute(belongs).scalars(), *session.execute(texted).scalars()}
    carried = exists().where(MessageRow.dive_id == row.id, MessageRow.state.in_((QUEUED, LEASED)))
    found = (
        select(row.id, row.reference, row.site_name, row.closed_at, row.kept_at, carried)
        .where(row.club_id == club_id, row.erased_at.is_(None), row.id.in_(ids))
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


def loose_entries(session: Session, club_id: str, receiving_number: str, traces: Traces) -> list[int]:
    """The entries of the club's chain with a phone in them, but for those of texts that belong to a dive."""
    text, part = InboundTextRow, InboundPartRow
    of_dives = select(text.id).where(*_texts_from(receiving_number, traces.senders), ~_is_loose())
    texts = set(session.execute(of_dives).scalars())
    parts = set(session.execute(select(part.id).where(part.inbound_id.in_(texts))).scalars())
    return _entries_of(session, log.club_chain(club_id), traces, texts, parts)


def is_under_way(session: Session, club_id: str, receiving_number: str, traces: Traces) -> bool:
    """Whether a text of a phone waits for its answer, a part for the others, or an answer for its courier.

    Of a text that nobody has read nobody knows yet whose dive it is.
    """
    part, message, senders = InboundPartRow, MessageRow, traces.senders
    unread = exists().where(*_texts_from(receiving_number, senders), InboundTextRow.state == STORED)
    parted = exists().where(part.receiver == receiving_number, part.sender.in_(senders), part.inbound_id.is_(None))
    carried = exists().where(*_loose_to(club_id, traces.phone), message.state.in_((QUEUED, LEASED)))
    return any(session.execute(select(one)).scalar_one() for one in (unread, parted, carried))


def erase_loose(session: Session, club_id: str, receiving_number: str, traces: Traces) -> None:
    """Erase texts and messages of a phone that belong to no dive. Those of dives that are kept stay.

    And what gateways wrote in receipts of which nobody knows for which message, so for which club, they are.
    """
    text, message, receipt = InboundTextRow, MessageRow, ReceiptRow
    from_it = _texts_from(receiving_number, traces.senders)
    loose = select(text.id).where(*from_it, _is_loose(), text.state != STORED)
    retention.blank_texts(session, list(session.execute(loose).scalars()))
    theirs = select(message.id).where(*_loose_to(club_id, traces.phone), message.state.not_in((QUEUED, LEASED)))
    retention.erase_messages(session, message.id.in_(theirs))
    named = cast(receipt.raw, Text).contains(traces.phone.removeprefix("+"), autoescape=True)
    touched(session, update(receipt).where(receipt.message_id.is_(None), named).values(raw={}))


def _texts_from(receiving_number: str, senders: Collection[str]) -> tuple[ColumnElement[bool], ...]:
    return InboundTextRow.receiver == receiving_number, _UNERASED, InboundTextRow.sender.in_(senders)


def _loose_to(club_id: str, phone: str) -> tuple[ColumnElement[bool], ...]:
    return MessageRow.club_id == club_id, MessageRow.dive_id.is_(None), MessageRow.phone == phone


def _is_loose() -> ColumnElement[bool]:
    """Whether a text belongs to no dive, nor does the one that another gateway brought as well."""
    first = aliased(InboundTextRow)
    doubled = exists().where(first.id == InboundTextRow.same_as, first.dive_id.is_not(None))
    return and_(InboundTextRow.dive_id.is_(None), ~doubled)


def _entries_of(
    session: Session, chain: str, traces: Traces, texts: Collection[int], parts: Collection[int]
) -> list[int]:
    """The entries of a chain that have a phone in them, but for those of these texts and parts."""
    row = LogEntryRow
    words = {traces.phone.removeprefix("+"), *traces.senders}
    has = or_(*(column.contains(word, autoescape=True) for column in (row.detail, row.actor) for word in words))
    found: list[int] = []
    last = 0
    while True:
        some = session.execute(
            select(row.id, row.seq, row.detail)
            .where(row.chain == chain, row.seq > last, row.detail.is_not(None), has)
            .order_by(row.seq)
            .limit(_AT_ONCE)
        ).all()
        for one in some:
            said = json.loads(one.detail or "{}")
            if said.get("inbound") not in texts and said.get("part") not in parts:
                found.append(one.id)
        if len(some) < _AT_ONCE:
            return found
        last = some[-1].seq
