"""What the water board reads: few statements however many dives there are, each scoped by its club.

Open dives, and those that closed a short while ago, are found by the index of (club, closed at).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from sqlalchemy import and_, bindparam, case, func, not_, or_, select
from sqlalchemy.orm import Session

from service.domain.dive.state import ALARMED, Dive, Phase
from service.domain.people import Channel, Role
from service.store.codec import UnreadableError, load_dive
from service.store.epochs import SWEEP
from service.store.outbox import DELIVERED, FAILED, HANDED
from service.store.tables import DivePhoneRow, DiveRow, HeartbeatRow, MessageRow, OptOutRow
from service.store.types import UTCDateTime
from service.store.upsert import table

CANARY_KEYS: Final = "canary dive %"  # the request keys of the daily canary dives, which are drills


@dataclass(frozen=True, slots=True)
class Glance:
    """How many dives the board has to show, and a number that grows with each event of any of them.

    `sweep_at`: when a sweep of the whole installation last did its round; None when none ever did.
    """

    dives: int
    versions: int
    sweep_at: datetime | None


@dataclass(frozen=True, slots=True)
class BoardRow:
    """One dive: its plain columns, and its state where that can be read."""

    dive_id: str
    reference: str
    phase: str
    site_name: str
    lead_name: str
    head_count: int
    drill: bool
    due_out_at: datetime | None
    dive: Dive | None


@dataclass(frozen=True, slots=True)
class Sent:
    """How many messages to one person of one dive stand how; to a contact in an alarm, those of alarms alone.

    E-mails, which prove nothing, are not counted.
    """

    waiting: int
    handed: int
    delivered: int
    failed: int


_DIVE, _PHONE, _OUT = table(DiveRow).c, table(DivePhoneRow).c, table(OptOutRow).c
_MESSAGE, _BEAT = table(MessageRow).c, table(HeartbeatRow).c
_SINCE: Final = bindparam("since", type_=UTCDateTime())
_OPEN = and_(_DIVE.club_id == bindparam("club"), _DIVE.closed_at.is_(None))
_ONE = and_(_DIVE.club_id == bindparam("club"), _DIVE.id == bindparam("one"))
_SHOWN = and_(_DIVE.club_id == bindparam("club"), or_(_DIVE.closed_at.is_(None), _DIVE.closed_at >= _SINCE))
_CANARY = and_(_DIVE.drill, func.coalesce(_DIVE.request_key, "").like(CANARY_KEYS))
# A plan for another day is not looked at: its question is due after its time in, and one without any has none.
_OF_TODAY = or_(
    _DIVE.phase != Phase.FILED.value,
    _DIVE.filed_at >= bindparam("day_began", type_=UTCDateTime()),
    _DIVE.next_due_at < bindparam("asked_before", type_=UTCDateTime()),
)
_GRAVEST_FIRST = case(
    {Phase.DISTRESS.value: 0, Phase.ALERT.value: 1, Phase.UNCERTAINTY.value: 2, Phase.IN_WATER.value: 3},
    value=_DIVE.phase,
    else_=case((_DIVE.closed_at.is_(None), 4), else_=5),
)
_SWEPT_AT = select(_BEAT.at).where(_BEAT.name == SWEEP).scalar_subquery()
_GLANCE = select(func.count(), func.coalesce(func.sum(_DIVE.version), 0), _SWEPT_AT).where(_SHOWN)
_ROWS = (
    select(
        *(_DIVE.id, _DIVE.reference, _DIVE.phase, _DIVE.site_name, _DIVE.lead_name, _DIVE.head_count, _DIVE.drill),
        *(_DIVE.due_out_at, _DIVE.state),
    )
    .where(_SHOWN, _OF_TODAY, not_(_CANARY))
    .order_by(_GRAVEST_FIRST, _DIVE.due_out_at, _DIVE.closed_at.desc(), _DIVE.filed_at, _DIVE.id)
    .limit(bindparam("most"))
)
# In an alarm it matters whether that has reached a contact: who got the plan an hour ago need not have it.
_OF_NOW = or_(
    _DIVE.phase.not_in([phase.value for phase in ALARMED]),
    not_(_MESSAGE.person_key.startswith(Role.CONTACT.value)),
    _MESSAGE.kind.in_(("alert", "distress")),
)
_SENT_BY_PERSON = (
    select(
        _MESSAGE.dive_id,
        _MESSAGE.person_key,
        func.sum(case((_MESSAGE.state.in_(("queued", "leased")), 1), else_=0)),
        func.sum(case((_MESSAGE.state == HANDED, 1), else_=0)),
        func.sum(case((_MESSAGE.state == DELIVERED, 1), else_=0)),
        func.sum(case((_MESSAGE.state == FAILED, 1), else_=0)),
    )
    .join_from(table(DiveRow), table(MessageRow), _MESSAGE.dive_id == _DIVE.id)
    .where(_MESSAGE.channel != Channel.EMAIL.value, _OF_NOW)
    .group_by(_MESSAGE.dive_id, _MESSAGE.person_key)
)
_SENT, _SENT_OF_ONE = _SENT_BY_PERSON.where(_OPEN), _SENT_BY_PERSON.where(_ONE)
_DEAF_PEOPLE = (
    select(_PHONE.dive_id, _PHONE.key)
    .join_from(table(DiveRow), table(DivePhoneRow), _PHONE.dive_id == _DIVE.id)
    .join(
        table(OptOutRow),
        and_(_OUT.receiving_number == _PHONE.receiving_number, _OUT.phone == _PHONE.phone, _OUT.until_at.is_(None)),
    )
)
_DEAF, _DEAF_OF_ONE = _DEAF_PEOPLE.where(_OPEN), _DEAF_PEOPLE.where(_ONE)


def glance(session: Session, club_id: str, closed_since: datetime) -> Glance:
    """Whether the board would say something else than before: one statement, cheap enough for every second."""
    return Glance(*session.execute(_GLANCE, {"club": club_id, "since": closed_since}).one())


def rows(
    session: Session,
    club_id: str,
    *,
    closed_since: datetime,
    day_began: datetime,
    asked_before: datetime,
    most: int,
) -> list[BoardRow]:
    """The dives of a club that the board shows, the gravest first; the daily canary dives are not among them.

    Plans that nobody has started: those filed since `day_began`, and those that the clock will have asked about before
    `asked_before`.
    """
    values = {"club": club_id, "since": closed_since, "day_began": day_began, "asked_before": asked_before}
    found = session.execute(_ROWS, {**values, "most": most})
    return [BoardRow(*values[:-1], _readable(values[-1])) for values in found]


def _readable(state: str) -> Dive | None:
    try:
        return load_dive(state)
    except UnreadableError:
        return None


def sent(session: Session, club_id: str, dive_id: str | None = None) -> Mapping[tuple[str, str], Sent]:
    """What was sent to each person of each open dive of a club, by the id of the dive and the key of the person.

    With `dive_id`, of that dive alone, open or not.
    """
    found = session.execute(_SENT if dive_id is None else _SENT_OF_ONE, _of(club_id, dive_id))
    return {(dive_id, key): Sent(*map(int, counts)) for dive_id, key, *counts in found}


def _of(club_id: str, dive_id: str | None) -> dict[str, str]:
    return {"club": club_id} if dive_id is None else {"club": club_id, "one": dive_id}


def opted_out(session: Session, club_id: str, dive_id: str | None = None) -> frozenset[tuple[str, str]]:
    """The people of the open dives of a club to whose phones no texts go by their own wish; all else as in `sent`."""
    found = session.execute(_DEAF if dive_id is None else _DEAF_OF_ONE, _of(club_id, dive_id))
    return frozenset((dive_id, key) for dive_id, key in found)
