"""Dives: adding, locking, saving and finding them.

A dive is locked FOR NO KEY UPDATE, which an INSERT that refers to the row does not wait for: a hung
transaction can then not keep anybody from queueing an alarm for it.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, Final

from sqlalchemy import Row, bindparam, exists, func, or_, select, update
from sqlalchemy.exc import IntegrityError
from sqlalchemy.orm import Session, aliased

from service.domain.dive.state import Dive, Phase
from service.domain.people import Role
from service.store.codec import UnreadableError, dump_dive, load_dive
from service.store.engine import RunAgainError
from service.store.tables import DiveCodeRow, DivePhoneRow, DiveRow
from service.store.upsert import insert_rows, table, touched, update_rows

START: Final = "start"
FINISH: Final = "finish"
SCRIPT_KEYS: Final = "api:"  # so begin the request keys that a script chose, whatever it put into them


class StaleDive(RunAgainError):  # noqa: N818 - it names what is found; run the unit again
    """The dive changed since it was read; nothing was written."""


class DiveClash(RunAgainError):  # noqa: N818 - it names what is found; run the unit again
    """A code or the request key of a new dive was taken at the same moment."""


class UnreadableDive(Exception):  # noqa: N818 - it names what is found, and is an alarm rather than an error
    """The stored state of a dive cannot be read; its plain columns still can."""

    def __init__(self, dive_id: str) -> None:
        super().__init__(f"the state of dive {dive_id} cannot be read")
        self.dive_id = dive_id


@dataclass(frozen=True, slots=True)
class PhoneMatch:
    """A dive that a phone belongs to, and as whom: its keys there."""

    dive: Dive
    keys: tuple[str, ...]

    @property
    def reference(self) -> str:
        """What the dive is called in texts."""
        return self.dive.reference

    @property
    def phase(self) -> str:
        """How far it is."""
        return self.dive.phase

    @property
    def head_count(self) -> int:
        """How many are in."""
        return self.dive.head_count

    @property
    def site_name(self) -> str:
        """Where it is."""
        return self.dive.plan.site.name


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A dive whose state cannot be read, as its plain columns have it; `keys` as in PhoneMatch."""

    dive_id: str
    reference: str
    phase: str
    head_count: int
    site_name: str
    keys: tuple[str, ...] = ()


Match = PhoneMatch | Unreadable


@dataclass(frozen=True, slots=True)
class CodeMatch:
    """The dive of a code; `kind` is "start" or "finish", `live` says that it still opens something."""

    dive_id: str
    kind: str
    live: bool


def columns(dive: Dive) -> dict[str, Any]:
    """Those columns of the row that are the fold of the events, and nothing else."""
    return {
        "club_id": dive.club_id,
        "club_name": dive.club_name,
        "site_name": dive.plan.site.name,
        "zone": dive.plan.site.zone,
        "rescue_call": dive.plan.site.rescue_call,
        "reference": dive.reference,
        "phase": dive.phase.value,
        "outcome": None if dive.outcome is None else dive.outcome.value,
        "filed_at": dive.filed_at,
        "started_at": dive.started_at,
        "due_out_at": dive.due_out_at,
        "raise_by_at": dive.raise_by_at,
        "closed_at": dive.closed_at,
        "version": dive.version,
        "head_count": dive.head_count,
        "lead_name": dive.plan.lead.name,
        "drill": dive.drill,
    }


def add(
    session: Session,
    dive: Dive,
    *,
    receiving_number: str,
    site_id: str | None,
    request_key: str | None,
    next_due_at: datetime | None,
) -> None:
    """Insert a filed dive with its phones and codes.

    Raises DiveClash when a code or the request key was taken meanwhile; the session stays usable.
    """
    row = columns(dive) | {
        "id": dive.id,
        "receiving_number": receiving_number,
        "site_id": site_id,
        "request_key": request_key,
        "next_due_at": next_due_at,
        "state": dump_dive(dive),
    }
    try:
        with session.begin_nested():
            insert_rows(session, DiveRow, row)
            insert_rows(session, DivePhoneRow, *_phones(dive, receiving_number))
            insert_rows(session, DiveCodeRow, *_codes(dive, receiving_number))
    except IntegrityError as error:
        raise DiveClash(f"dive {dive.id} has a code or a request key that is taken") from error


def _codes(dive: Dive, receiving_number: str) -> list[dict[str, Any]]:
    return [
        {
            "dive_id": dive.id,
            "kind": kind,
            "receiving_number": receiving_number,
            "code": code,
            "live": dive.phase is not Phase.CLOSED,
        }
        for kind, code in ((START, dive.start_code), (FINISH, dive.finish_code))
    ]


def _phones(dive: Dive, receiving_number: str) -> list[dict[str, Any]]:
    roles = [(Role.DIVER, person) for person in dive.divers] + [(Role.CONTACT, person) for person in dive.contacts]
    return [
        {
            "dive_id": dive.id,
            "key": person.key,
            "role": role.value,
            "name": person.name,
            "receiving_number": receiving_number,
            "phone": person.phone,
            "closed_at": dive.closed_at,
        }
        for role, person in roles
        if person.phone
    ]


_ROW = table(DiveRow).c
_GET = select(_ROW.state).where(_ROW.id == bindparam("dive_id"))
_LOCK = _GET.with_for_update(key_share=True)


def lock(session: Session, dive_id: str) -> Dive | None:
    """The dive, kept from everybody else until this transaction ends. Raises UnreadableDive."""
    state = session.execute(_LOCK, {"dive_id": dive_id}).scalar_one_or_none()
    return None if state is None else _readable(dive_id, state)


def get(session: Session, dive_id: str) -> Dive | None:
    """The dive as it stands now. Raises UnreadableDive."""
    state = session.execute(_GET, {"dive_id": dive_id}).scalar_one_or_none()
    return None if state is None else _readable(dive_id, state)


def _readable(dive_id: str, state: str) -> Dive:
    try:
        return load_dive(state)
    except UnreadableError as error:
        raise UnreadableDive(dive_id) from error


@dataclass(frozen=True, slots=True)
class Next:
    """A dive as it is now, the version of its row that was read, and when the clock next has to look at it."""

    dive: Dive
    expected_version: int
    next_due_at: datetime | None


_PHONE = table(DivePhoneRow).c
_CLOSE_PHONES = (
    update(table(DivePhoneRow)).where(_PHONE.dive_id == bindparam("of_dive")).values(closed_at=bindparam("at"))
)
_CODE = table(DiveCodeRow).c
_END_CODES = update(table(DiveCodeRow)).where(_CODE.dive_id == bindparam("of_dive")).values(live=False)


def save(session: Session, dive: Dive, *, expected_version: int, next_due_at: datetime | None) -> None:
    """Write the next state of one dive over the one that was read; all else as in `save_all`."""
    save_all(session, [Next(dive, expected_version, next_due_at)])


def save_all(session: Session, dives: Sequence[Next]) -> None:
    """Write the next states over those that were read.

    Raises StaleDive when a row is no longer at its expected version. Codes die when the dive closes and live
    again when it is reopened; its phones stay findable by the time it closed.
    """
    if update_rows(session, DiveRow, _AS_READ, [_next_row(one) for one in dives]) != len(dives):
        stale = ", ".join(f"dive {one.dive.id} is no longer at version {one.expected_version}" for one in dives)
        raise StaleDive(stale if len(dives) == 1 else f"one of these: {stale}")
    moved = [one.dive for one in dives if one.dive.closings or one.dive.phase is Phase.CLOSED]
    if not moved:
        return
    touched(session, _CLOSE_PHONES, [{"of_dive": dive.id, "at": dive.closed_at} for dive in moved])
    ended = [dive for dive in moved if dive.phase is Phase.CLOSED]
    if ended:
        touched(session, _END_CODES, [{"of_dive": dive.id} for dive in ended])
    for dive in moved:
        if dive.phase is not Phase.CLOSED:
            _revive_codes(session, dive.id)


_AS_READ: Final = {"id": "of_dive", "version": "expected_version"}


def _next_row(one: Next) -> dict[str, Any]:
    return columns(one.dive) | {
        "state": dump_dive(one.dive),
        "next_due_at": one.next_due_at,
        "of_dive": one.dive.id,
        "expected_version": one.expected_version,
    }


def _revive_codes(session: Session, dive_id: str) -> None:
    """Make the codes of a reopened dive live, but for one that another dive has got meanwhile.

    An alarm that opens a dive again must not fail for a code; the phones and pages still reach the dive.
    """
    other = aliased(DiveCodeRow)
    taken = exists().where(
        other.receiving_number == DiveCodeRow.receiving_number,
        other.code == DiveCodeRow.code,
        other.live,
        other.dive_id != dive_id,
    )
    revive = update(DiveCodeRow).where(DiveCodeRow.dive_id == dive_id, ~taken).values(live=True)
    try:
        with session.begin_nested():
            touched(session, revive)
    except IntegrityError:
        return  # taken between the look and the write


def postpone(session: Session, dive_id: str, next_due_at: datetime | None) -> None:
    """Set only when the dive is next looked at; for one whose state cannot be decided."""
    touched(session, update(DiveRow).where(DiveRow.id == dive_id).values(next_due_at=next_due_at))


def for_phone(session: Session, receiving_number: str, phone: str, closed_since: datetime) -> list[Match]:
    """The dives of a phone that are open or closed at or after `closed_since`, latest filed first.

    One that cannot be read stands among them by its plain columns, and hides no other.
    """
    rows: dict[str, Row[*Read, str]] = {}
    keys: dict[str, list[str]] = {}
    for row in session.execute(_FOR_PHONE, {"to": receiving_number, "by": phone, "since": closed_since}):
        rows[row.id] = row
        keys.setdefault(row.id, []).append(row.key)
    return [match_of(read_row(row), tuple(keys[dive_id])) for dive_id, row in rows.items()]


READ: Final = (DiveRow.id, DiveRow.state, DiveRow.reference, DiveRow.phase, DiveRow.head_count, DiveRow.site_name)
_FOR_PHONE = (
    select(_ROW.id, _ROW.state, _ROW.reference, _ROW.phase, _ROW.head_count, _ROW.site_name, _PHONE.key)
    .join_from(table(DivePhoneRow), table(DiveRow), _PHONE.dive_id == _ROW.id)
    .where(
        _PHONE.receiving_number == bindparam("to"),
        _PHONE.phone == bindparam("by"),
        or_(_PHONE.closed_at.is_(None), _PHONE.closed_at >= bindparam("since")),
    )
    .order_by(_ROW.filed_at.desc(), _ROW.id, _PHONE.key)
)
Read = tuple[str, str, str, str, int, str]


def read_row(row: Row[*Read, datetime] | Row[*Read, str]) -> Dive | Unreadable:
    """The dive of a row that has the columns `READ`; by them where its state cannot be read."""
    try:
        return load_dive(row.state)
    except UnreadableError:
        return Unreadable(row.id, row.reference, row.phase, row.head_count, row.site_name)


def match_of(dive: Dive | Unreadable, keys: tuple[str, ...]) -> Match:
    """A dive, and who somebody is there."""
    return replace(dive, keys=keys) if isinstance(dive, Unreadable) else PhoneMatch(dive, keys)


_OF_NUMBER = _CODE.receiving_number == bindparam("to")
_BY_CODE = (
    select(_CODE.dive_id, _CODE.kind, _CODE.live)
    .join_from(table(DiveCodeRow), table(DiveRow), _ROW.id == _CODE.dive_id)
    .where(_OF_NUMBER, _CODE.code == bindparam("given"))
    .order_by(_CODE.live.desc(), _ROW.filed_at.desc())
    .limit(1)
)
_CODE_TAKEN = select(exists().where(_OF_NUMBER, _CODE.code == bindparam("given"), _CODE.live))
_LIVE_CODES = select(func.count()).select_from(table(DiveCodeRow)).where(_OF_NUMBER, _CODE.live)


def by_code(session: Session, receiving_number: str, code: str) -> CodeMatch | None:
    """The dive of that code: the live one, else the one filed last."""
    found = session.execute(_BY_CODE, {"to": receiving_number, "given": code}).first()
    return None if found is None else CodeMatch(found.dive_id, found.kind, found.live)


def code_taken(session: Session, receiving_number: str, code: str) -> bool:
    """Whether a live dive of that number has the code."""
    return bool(session.execute(_CODE_TAKEN, {"to": receiving_number, "given": code}).scalar_one())


def live_codes(session: Session, receiving_number: str) -> int:
    """How many codes are live for a receiving number, which decides how long a new one must be."""
    return session.execute(_LIVE_CODES, {"to": receiving_number}).scalar_one()


def references_of(session: Session, receiving_number: str, phones: Collection[str], closed_after: datetime) -> set[str]:
    """References of the dives of any of those phones that are open or were closed after `closed_after`."""
    statement = (
        select(DiveRow.reference)
        .join(DivePhoneRow, DivePhoneRow.dive_id == DiveRow.id)
        .where(
            DivePhoneRow.receiving_number == receiving_number,
            DivePhoneRow.phone.in_(phones),
            or_(DivePhoneRow.closed_at.is_(None), DivePhoneRow.closed_at > closed_after),
        )
    )
    return set(session.execute(statement).scalars())


def references_of_club(session: Session, club_id: str, closed_after: datetime) -> set[str]:
    """References of its dives that are open or were closed after `closed_after`.

    Of a thousand of them, since more use up what there is anyway.
    """
    counts = or_(DiveRow.closed_at.is_(None), DiveRow.closed_at > closed_after)
    some = select(DiveRow.reference).where(DiveRow.club_id == club_id, counts).limit(1_000)
    return set(session.execute(some).scalars())


def by_request_key(session: Session, club_id: str, key: str) -> str | None:
    """The dive that this request of the club already made."""
    statement = select(DiveRow.id).where(DiveRow.club_id == club_id, DiveRow.request_key == key)
    return session.execute(statement).scalar_one_or_none()


def oldest_due(session: Session, now: datetime) -> datetime | None:
    """The moment that has waited longest among the due dives: a plain read that sees locked rows too."""
    statement = select(func.min(DiveRow.next_due_at)).where(DiveRow.next_due_at <= now)
    return session.execute(statement).scalar_one()


def receiving_number_of(session: Session, dive_id: str) -> str:
    """The number from which this dive's texts go out. Raises NoResultFound for a dive that does not exist."""
    number: str = session.execute(_RECEIVING_NUMBER, {"dive_id": dive_id}).scalar_one()
    return number


_RECEIVING_NUMBER = select(_ROW.receiving_number).where(_ROW.id == bindparam("dive_id"))
