"""How long an alarm storm would take: many dives overdue in the same second, nobody answers, and a sender has its rate.

Pure. The dives are played by the heart itself, from its own ladder and wording; only the queue is counted here, in the
order in which the courier claims. It is a forecast for the texts: calls and e-mails have senders of their own.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta

from service.domain.dive import Dive, Event, evolve, next_due_at, tick
from service.domain.dive.events import Filed, Started
from service.domain.encoding import segments
from service.domain.grace import GracePeriods
from service.domain.people import ADMINS, Actor, Channel, Role, Via, contact_key
from service.domain.place.position import Position
from service.domain.place.site import SitePlan
from service.domain.plan import Contact, DivePlan, Diver
from service.domain.wording import Draft, MessageKind, messages_for
from service.domain.wording.drafts import SEGMENTS
from service.operations.links import TOKEN_LENGTH, fits

PLAYED_FOR = timedelta(hours=1)
"""From the alert on: with the usual ladder past the hand-up. What follows is only repeated."""
PUBLIC_URL = "https://dives.example.org"

_WENT_IN_AT = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
_LEAD = Actor(Role.DIVER, "Anna Holt", Via.TEXT, "diver-0", "+447700900001", "IN")
_CONTACTS = ("Cleo Marsh", "Dov Lind", "Edda Rowe", "Finn Gray", "Greta Sand", "Hugo Reed")


@dataclass(frozen=True, slots=True)
class Due:
    """One text of one dive: seconds after the alert at which it is queued, its place in the queue, and its length."""

    after_s: float
    priority: int
    rank: int
    segments: int
    to: str


@dataclass(frozen=True, slots=True)
class _Sent:
    """A text of one dive, and the seconds after the alert at which a sender takes it up."""

    at_s: float
    dive: int
    due: Due


@dataclass(frozen=True, slots=True)
class Forecast:
    """Seconds from the alert to when the last of them is handed over; the segments of one alert; how many texts.

    `first_contact_s`: the first contact of the last dive hears of it. `distress_s`: the last contact hears distress
    for the first time; it fell due at `distress_due_s`. `last_s`: the last text of all that falls due within an hour.
    """

    first_contact_s: float
    distress_s: float
    distress_due_s: float
    last_s: float
    alert_segments: int
    texts: int

    @property
    def busy(self) -> bool:
        """Whether what falls due within an hour takes longer than that to send."""
        return self.last_s > PLAYED_FOR.total_seconds()


def forecast(dives: int, contacts: int, segments_per_s: float, senders: int = 1) -> Forecast:
    """What a storm of so many dives, with so many contacts each, comes to at that rate of each of the senders.

    Raises ValueError for a number that is not positive, and for more contacts than a plan may have.
    """
    if min(dives, contacts, senders) < 1 or not segments_per_s > 0:
        raise ValueError("dives, contacts, senders and the rate must be above nothing")
    if contacts > len(_CONTACTS):
        raise ValueError(f"a plan has at most {len(_CONTACTS)} contacts")
    load = load_of(contacts)
    sent = list(_sent(load, dives, segments_per_s, senders))
    first_alarm: dict[tuple[int, str], float] = {}
    first_distress: dict[tuple[int, str], float] = {}
    for text in sent:
        first_alarm.setdefault((text.dive, text.due.to), text.at_s)
        if text.due.priority == MessageKind.DISTRESS:
            first_distress.setdefault((text.dive, text.due.to), text.at_s)
    return Forecast(
        first_contact_s=max(at_s for (_, to), at_s in first_alarm.items() if to == contact_key(0)),
        distress_s=max(at_s for (_, to), at_s in first_distress.items() if to != ADMINS),
        distress_due_s=min(due.after_s for due in load if due.priority == MessageKind.DISTRESS),
        last_s=max(text.at_s for text in sent),
        alert_segments=next(due.segments for due in load if due.priority == MessageKind.ALERT),
        texts=len(sent),
    )


def load_of(contacts: int) -> tuple[Due, ...]:
    """The texts of one dive from its alert on, when nobody answers, in the order in which they fall due."""
    dive, texts = _dive(contacts), []
    begin_at = dive.raise_by_at or _WENT_IN_AT
    while (now := next_due_at(dive)) is not None and now < begin_at + PLAYED_FOR:
        for event in tick(dive, now):
            dive = evolve(dive, event)
            if now >= begin_at:
                texts += [_due(draft, now - begin_at) for draft in _texts(dive, event)]
    return tuple(texts)


def _texts(dive: Dive, event: Event) -> list[Draft]:
    return [draft for draft in messages_for(dive, event) if draft.channel is Channel.TEXT]


def _due(draft: Draft, after: timedelta) -> Due:
    address = f" {PUBLIC_URL}/{draft.link}/"
    linked = draft.link is not None and fits(draft.text, address, SEGMENTS[draft.kind])
    body = draft.text + (address + "x" * TOKEN_LENGTH if linked else "")
    return Due(after.total_seconds(), int(draft.kind), draft.rank, len(segments(body).parts), draft.to.key)


def _sent(load: Sequence[Due], dives: int, segments_per_s: float, senders: int) -> Iterator[_Sent]:
    """Each text and when a sender takes it up: strictly by priority, then rank, then the longest due."""
    coming = sorted(load, key=lambda due: due.after_s, reverse=True)
    queue = _Queue()
    free = [0.0] * senders
    now = 0.0
    while coming or queue.waiting:
        now = max(now, heapq.heappop(free))  # who has had nothing to do for a while does not begin in the past
        if not queue.waiting:
            now = max(now, coming[-1].after_s)
        while coming and coming[-1].after_s <= now:
            due = coming.pop()
            for dive in range(dives):
                queue.put(dive, due)
        dive, due = queue.take()
        yield _Sent(now, dive, due)
        heapq.heappush(free, now + due.segments / segments_per_s)


class _Queue:
    """What waits for a sender: of each person of each dive one alarm at most, since a newer one takes its place."""

    def __init__(self) -> None:
        self.waiting: dict[tuple[int, str], Due] = {}
        self._order: list[tuple[int, int, float, int, str]] = []

    def put(self, dive: int, due: Due) -> None:
        """Queue it for a dive, in the place of an older one that still waits."""
        older = self.waiting.get((dive, due.to))
        if older is not None and older.priority == due.priority:
            due = replace(due, rank=min(older.rank, due.rank))
        self.waiting[dive, due.to] = due
        heapq.heappush(self._order, (due.priority, due.rank, due.after_s, dive, due.to))

    def take(self) -> tuple[int, Due]:
        """The first in the queue, and whose it is."""
        while True:
            priority, rank, after_s, dive, to = heapq.heappop(self._order)
            due = self.waiting.get((dive, to))
            if due is not None and (due.priority, due.rank, due.after_s) == (priority, rank, after_s):
                return dive, self.waiting.pop((dive, to))


def _dive(contacts: int) -> Dive:
    """A dive as they are: two divers at a known site, started by text, with the ladder's usual times."""
    plan = DivePlan(
        site=SitePlan(
            name="Lantern Cove",
            zone="Europe/London",
            rescue_call="999, ask for the coastguard",
            code="LANTERN",
            position=Position(47.12345, -20.54321),
            access="Path from the car park, 8 minutes on foot; steps at the end.",
        ),
        party=(Diver("Anna Holt", "+447700900001"), Diver("Bram Vik", "+447700900002")),
        contacts=tuple(Contact(name, f"+4477009000{11 + index}") for index, name in enumerate(_CONTACTS[:contacts])),
        run_time=timedelta(minutes=50),
        exits=("East beach", "West steps"),
        vehicle="blue van",
        kit="orange buoy",
    )
    events = (
        Filed(
            at=_WENT_IN_AT,
            by=_LEAD,
            dive_id="storm",
            club_id="storm",
            club_name="Skerry Bay Divers",
            reference="7K",
            start_code="482913",
            finish_code="731904",
            plan=plan,
            grace=GracePeriods(),
        ),
        Started(
            at=_WENT_IN_AT,
            by=_LEAD,
            started_at=_WENT_IN_AT,
            due_out_at=_WENT_IN_AT + plan.run_time,
            head_count=len(plan.party),
        ),
    )
    return _folded(events)


def _folded(events: Sequence[Event]) -> Dive:
    dive: Dive | None = None
    for event in events:
        dive = evolve(dive, event)
    assert dive is not None  # noqa: S101 - there are events
    return dive
