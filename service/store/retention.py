"""Erasing personal detail whose time is over: of dives that are closed, and of what belongs to no dive.

Rows stay, since figures, chains and the ids of gateways rest on them; names, numbers, words and positions go. Nothing
here commits or decides: `service.operations.retention` does.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, fields
from datetime import datetime, timedelta
from typing import Any, Final

from sqlalchemy import ColumnElement, Text, case, cast, delete, exists, literal, or_, select, update
from sqlalchemy.orm import Session, aliased

from service.domain.dive.erased import ERASED, without_detail
from service.domain.dive.state import Phase
from service.store import dives, log
from service.store.codec import UnreadableError, dump_dive, load_dive
from service.store.log_erased import TEXT_KINDS, is_of
from service.store.outbox import LEASED, QUEUED
from service.store.tables import (
    AttemptRow,
    DeedKeyRow,
    DiveCodeRow,
    DivePhoneRow,
    DiveRow,
    InboundPartRow,
    InboundTextRow,
    LinkRow,
    LogEntryRow,
    MessageRow,
    ReachRow,
    ReceiptRow,
)
from service.store.upsert import touched

UNREADABLE: Final = '{"erased":true}'
"""In the place of a state that cannot be read, so that nobody can say what of it is personal."""
_BESIDE: Final = timedelta(hours=1)  # between a text's own time and that of its entry


@dataclass(frozen=True, slots=True)
class Erased:
    """How many were erased of each kind."""

    dives: int = 0
    entries: int = 0
    messages: int = 0
    texts: int = 0
    reaches: int = 0
    receipts: int = 0

    def __add__(self, other: Erased) -> Erased:
        return Erased(*(getattr(self, field.name) + getattr(other, field.name) for field in fields(self)))

    def __bool__(self) -> bool:
        return self != Erased()


def due(session: Session, club_id: str, closed_before: datetime, limit: int, *, but: Collection[str] = ()) -> list[str]:
    """Dives to erase, the longest closed first; each is kept from others until this transaction ends.

    None that is open, kept on somebody's word, erased already, one of `but`, or has a message that is still being
    carried.
    """
    row = DiveRow
    carried = exists().where(MessageRow.dive_id == row.id, MessageRow.state.in_((QUEUED, LEASED)))
    found = (
        select(row.id)
        .where(
            row.club_id == club_id,
            row.closed_at.is_not(None),
            row.closed_at < closed_before,
            row.erased_at.is_(None),
            row.kept_at.is_(None),
            row.phase == Phase.CLOSED.value,
            row.id.not_in(but),
            ~carried,
        )
        .order_by(row.closed_at, row.id)
        .limit(limit)
        .with_for_update(skip_locked=True, key_share=True)
    )
    return list(session.execute(found).scalars())


def erase_dive(session: Session, dive_id: str, club_id: str, now: datetime) -> Erased:
    """Erase what is personal of a dive that is closed and locked: row, log, messages, texts, phones, codes, links.

    Raises LookupError where the club has no such dive, or it is open.
    """
    its_own = select(DiveRow.id).where(DiveRow.id == dive_id, DiveRow.club_id == club_id)
    its_own = its_own.where(DiveRow.phase == Phase.CLOSED.value)
    if session.execute(its_own).first() is None:
        raise LookupError(f"club {club_id} has no closed dive {dive_id}")
    texts, in_club_chain = _erase_texts(session, _texts_of(session, dive_id), log.club_chain(club_id))
    messages = erase_messages(session, MessageRow.dive_id == dive_id)
    for row in (LinkRow, DeedKeyRow, DiveCodeRow, DivePhoneRow):
        touched(session, delete(row).where(row.dive_id == dive_id))
    _erase_row(session, dive_id, now)
    entries = log.erase_details(session, dive_id) + in_club_chain
    return Erased(dives=1, entries=entries, messages=messages, texts=texts)


def _erase_row(session: Session, dive_id: str, now: datetime) -> None:
    state = session.execute(select(DiveRow.state).where(DiveRow.id == dive_id)).scalar_one()
    values: dict[str, Any] = {"erased_at": now}
    try:
        left = without_detail(load_dive(state))
        values |= dives.columns(left) | {"state": dump_dive(left)}
    except UnreadableError:
        values |= {"state": UNREADABLE, "lead_name": ERASED}
    # The others are ours, and say what kind of dive it was.
    key = case((DiveRow.request_key.startswith(dives.SCRIPT_KEYS), None), else_=DiveRow.request_key)
    touched(session, update(DiveRow).where(DiveRow.id == dive_id).values(**values, request_key=key))


def erase_messages(session: Session, which: ColumnElement[bool]) -> int:
    """Erase whom and what of messages, and of the attempts and receipts for them; how many messages."""
    these = select(MessageRow.id).where(which)
    touched(session, update(AttemptRow).where(AttemptRow.message_id.in_(these)).values(detail=None))
    touched(session, update(ReceiptRow).where(ReceiptRow.message_id.in_(these)).values(raw={}))
    # A stranger's key is their number, and it is one of what makes a message the only one of its cause.
    key = case(
        (MessageRow.person_key.startswith("phone:"), literal("erased:") + MessageRow.id), else_=MessageRow.person_key
    )
    values = {"person_key": key, "name": ERASED, "phone": "", "email": None, "subject": None, "body": ERASED}
    return touched(session, update(MessageRow).where(which, MessageRow.body != ERASED).values(**values))


@dataclass(frozen=True, slots=True)
class _Text:
    """A text that came in, and between which instants its entries were logged."""

    id: int
    since: datetime
    until: datetime


def _texts_of(session: Session, dive_id: str) -> list[_Text]:
    """The texts of a dive, and those that another gateway brought as well."""
    row, double = InboundTextRow, aliased(InboundTextRow)
    own = session.execute(select(row.id, row.received_at, row.answered_at).where(row.dive_id == dive_id)).all()
    ids = [one.id for one in own]
    same = select(double.id, double.received_at, double.answered_at).where(double.same_as.in_(ids))
    found = [*own, *(session.execute(same).all() if ids else ())]
    return [_Text(one.id, one.received_at - _BESIDE, (one.answered_at or one.received_at) + _BESIDE) for one in found]


def _erase_texts(session: Session, texts: Sequence[_Text], chain: str) -> tuple[int, int]:
    """Erase texts and their entries in a chain; how many of either."""
    if not texts:
        return 0, 0
    ids = [text.id for text in texts]
    part = InboundPartRow
    part_ids = set(session.execute(select(part.id).where(part.inbound_id.in_(ids))).scalars())
    entries = _entries_of(session, texts, chain, set(ids), part_ids)
    blank_texts(session, ids)
    return len(ids), log.erase_entries(session, entries)


def blank_texts(session: Session, ids: Collection[int]) -> int:
    """Erase who and what of texts that came in, and of their parts; how many texts."""
    row, part = InboundTextRow, InboundPartRow
    touched(session, update(part).where(part.inbound_id.in_(ids)).values(sender="", body=ERASED))
    blank: dict[str, Any] = {"sender": "", "body": ERASED, "raw": {}, "note": None}
    return touched(session, update(row).where(row.id.in_(ids), row.sender != "").values(**blank))


def _entries_of(
    session: Session, texts: Sequence[_Text], chain: str, ids: Collection[int], part_ids: Collection[int]
) -> list[int]:
    """The entries of a club's chain that speak of these texts or parts."""
    row = LogEntryRow
    club_id = chain.partition(":")[2]
    found: list[int] = []
    for text in texts:
        near = select(row.id, row.detail).where(
            row.club_id == club_id,
            row.kind.in_(TEXT_KINDS),
            row.at.between(text.since, text.until),
            row.chain == chain,
            row.detail.is_not(None),
        )
        for entry_id, detail in session.execute(near):
            said = _rows_named(detail)
            if said.get("inbound") in ids or said.get("part") in part_ids:
                found.append(entry_id)
    return found


def erase_loose_texts(
    session: Session, before: datetime, limit: int, *, receiver: str | None, receivers: Collection[str]
) -> int:
    """Erase texts that belong to no dive; of those to one number, or to none of `receivers`. How many."""
    row, first = InboundTextRow, aliased(InboundTextRow)
    to = row.receiver == receiver if receiver is not None else row.receiver.not_in(receivers)
    doubles = exists().where(first.id == row.same_as, first.sender != "")
    found = (
        select(row.id)
        .where(to, row.received_at < before, row.sender != "", row.dive_id.is_(None), row.state != "stored", ~doubles)
        .order_by(row.received_at)
        .limit(limit)
    )
    return blank_texts(session, list(session.execute(found).scalars()))


def erase_loose_messages(session: Session, club_id: str, before: datetime, limit: int) -> int:
    """Erase messages that belong to no dive and are no longer carried: answers to strangers, notices. How many."""
    row = MessageRow
    found = (
        select(row.id)
        .where(
            row.club_id == club_id,
            row.dive_id.is_(None),
            row.queued_at < before,
            row.body != ERASED,
            row.state.not_in((QUEUED, LEASED)),
        )
        .limit(limit)
    )
    return erase_messages(session, row.id.in_(list(session.execute(found).scalars())))


def erase_stray_receipts(session: Session, before: datetime, limit: int) -> int:
    """Erase what gateways wrote in receipts of which nobody knows for which message they are; how many."""
    row = ReceiptRow
    whole = cast(row.raw, Text) != "{}"
    found = select(row.id).where(row.message_id.is_(None), row.received_at < before, whole).limit(limit)
    return touched(session, update(row).where(row.id.in_(list(session.execute(found).scalars()))).values(raw={}))


def forget_reaches(session: Session, club_id: str, before: datetime) -> int:
    """Forget phones of contacts that nothing was heard of since; how many. A refusal is kept, so that it holds."""
    row = ReachRow
    dates = [row.asked_at, row.agreed_at, row.reached_at, row.answered_at]
    named = exists().where(
        DivePhoneRow.phone == row.phone, DivePhoneRow.dive_id == DiveRow.id, DiveRow.club_id == club_id
    )
    old = delete(row).where(
        row.club_id == club_id,
        row.declined_at.is_(None),
        or_(*(date.is_not(None) for date in dates)),
        *(or_(date.is_(None), date < before) for date in dates),
        ~named,
    )
    return touched(session, old)


@dataclass(frozen=True, slots=True)
class Looked:
    """How far a chain was looked through, by number, how many entries were erased, and whether there may be more."""

    to_seq: int
    erased: int
    more: bool


def erase_loose_entries(
    session: Session, chain: str, after_seq: int, before: datetime, limit: int, kinds: Collection[str]
) -> Looked:
    """Erase entries of a club's or the service's chain that are of these kinds, or begin so where one ends with ":".

    Those of a text are erased once the text itself is: one that belongs to a dive goes with it. One that cannot be read
    names none, and goes by its age: it must not keep those that come after it.
    """
    row = LogEntryRow
    found = session.execute(
        select(row.id, row.seq, row.kind, row.detail, row.at)
        .where(row.chain == chain, row.seq > after_seq)
        .order_by(row.seq)
        .limit(limit)
    ).all()
    old = [one for one in found if one.at < before]
    wanted = [one for one in old if one.detail is not None and is_of(one.kind, kinds)]
    waiting = _waiting(session, [_rows_named(one.detail) for one in wanted if one.kind in TEXT_KINDS])
    ids = [one.id for one in wanted if one.kind not in TEXT_KINDS or not waiting(_rows_named(one.detail))]
    to_seq = old[-1].seq if old else after_seq
    return Looked(to_seq, log.erase_entries(session, ids), more=len(old) == limit)


def _rows_named(detail: str | None) -> dict[str, int]:
    """Which text, or part of one, the detail of an entry is about; nothing where it cannot be read."""
    try:
        said = json.loads(detail or "{}")
    except (ValueError, RecursionError):
        return {}
    named = {name: said.get(name) for name in ("inbound", "part")} if isinstance(said, dict) else {}
    return {name: value for name, value in named.items() if isinstance(value, int)}


def _waiting(session: Session, details: Sequence[dict[str, int]]) -> Callable[[dict[str, int]], bool]:
    """Whether the text of an entry, or of a part of one, is not erased yet."""
    text, part = InboundTextRow, InboundPartRow
    text_ids, part_ids = ({one[name] for one in details if name in one} for name in ("inbound", "part"))
    texts = set(session.execute(select(text.id).where(text.id.in_(text_ids), text.sender != "")).scalars())
    parts = set(session.execute(select(part.id).where(part.id.in_(part_ids), part.sender != "")).scalars())
    return lambda detail: detail.get("inbound") in texts or detail.get("part") in parts
