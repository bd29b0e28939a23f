"""An invented club and dives of it, for the tests of the store."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from sqlalchemy.orm import Session

from service.domain.dive.events import Event, Filed, Started
from service.domain.dive.evolve import evolve
from service.domain.dive.state import Dive
from service.domain.grace import GracePeriods
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.plan import Contact, DivePlan, Diver
from service.store import clubs, dives, leases, log, outbox
from service.store.codec import dump_event, plain
from service.store.leases import Kinds
from service.store.outbox import ClaimedMessage, Message, NewMessage

NOW = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)
CLUB = "skerry-bay"
NUMBER = "+447700900500"
ANNA, BRAM = "+447700900001", "+447700900002"
CLEO, DOV = "+447700900011", "+447700900012"

BY_ANNA = Actor(Role.DIVER, "Anna Holt", Via.TEXT, key="diver-0", phone=ANNA, words="IN")

PLAN = DivePlan(
    site=SitePlan(
        name="Lantern Cove",
        zone="Europe/London",
        rescue_call="07700 900999",
        code="LANTERN",
        position=Position(47.12345, -20.54321),
        points=(
            SitePoint(PointKind.EXIT, "East beach", Position(47.12345, -20.54321)),
            SitePoint(PointKind.EXIT, "West steps"),
        ),
    ),
    party=(Diver("Anna Holt", ANNA), Diver("Bram Vik", BRAM), Diver("Guest")),
    contacts=(Contact("Cleo Marsh", CLEO), Contact("Dov Lind", DOV)),
    run_time=timedelta(minutes=50),
    notes="Blue hoods \u2013 \u00e9",
)


def minutes(count: float) -> timedelta:
    """A length of time."""
    return timedelta(minutes=count)


def add_club(session: Session, club_id: str = CLUB, number: str = NUMBER) -> None:
    """A club."""
    clubs.add(
        session,
        club_id=club_id,
        name="Skerry Bay Divers",
        country="GB",
        zone="Europe/London",
        receiving_number=number,
        rescue_call="07700 900999",
    )


def filed(dive_id: str = "d1", start: str = "100001", finish: str = "200002", **changes: object) -> Filed:
    """The first event of a dive."""
    event = Filed(
        at=NOW,
        by=BY_ANNA,
        dive_id=dive_id,
        club_id=CLUB,
        club_name="Skerry Bay Divers",
        reference="7K",
        start_code=start,
        finish_code=finish,
        plan=PLAN,
        grace=GracePeriods(),
    )
    return replace(event, **changes)  # type: ignore[arg-type]


def started() -> Started:
    """The party goes in at NOW."""
    return Started(at=NOW, by=BY_ANNA, started_at=NOW, due_out_at=NOW + minutes(50), head_count=3)


def folded(*events: Event) -> Dive:
    """The dive that these events make."""
    dive: Dive | None = None
    for event in events:
        dive = evolve(dive, event)
    assert dive is not None
    return dive


def add_dive(
    session: Session,
    first: Filed | None = None,
    *,
    due_at: datetime | None = NOW,
    request_key: str | None = None,
    number: str = NUMBER,
) -> Dive:
    """A filed dive with its log entry, in the database."""
    first = first or filed()
    dive = folded(first)
    dives.add(session, dive, receiving_number=number, site_id=None, request_key=request_key, next_due_at=due_at)
    log_event(session, dive, first)
    return dive


def apply(session: Session, dive: Dive, event: Event, *, due_at: datetime | None = NOW) -> Dive:
    """The next event of a dive, logged and saved."""
    after = evolve(dive, event)
    log_event(session, dive, event)
    dives.save(session, after, expected_version=dive.version, next_due_at=due_at)
    return after


def log_event(session: Session, dive: Dive, event: Event) -> int:
    """The log entry of an event."""
    kind, detail = dump_event(event)
    return log.append(
        session,
        chain=log.dive_chain(dive.id),
        at=event.at,
        kind=f"event:{kind}",
        actor=plain(getattr(event, "by", BY_ANNA)),
        detail=detail,
        dive_id=dive.id,
        club_id=dive.club_id,
    )


def by(session: Session) -> Callable[[Callable[[Session], list[Any]]], list[Any]]:
    """Has what is read, read in this session."""
    return lambda work: work(session)


def message(step: str = "alert", person: str = "contact-0", **changes: object) -> NewMessage:
    """A message that is due NOW, of priority alert unless said otherwise."""
    new = NewMessage(
        club_id=CLUB,
        dive_id="d1",
        person_key=person,
        name="Cleo Marsh",
        phone=CLEO,
        kind="alert",
        priority=1,
        step=step,
        body="Skerry Bay Divers: overdue.",
        segments=1,
        queued_at=NOW,
        due_at=NOW,
        cause_seq=1,
    )
    return replace(new, **changes)  # type: ignore[arg-type]


def queued(session: Session, step: str = "alert", **changes: object) -> str:
    """Queue such a message and return its id."""
    message_id = outbox.queue(session, message(step, **changes))  # type: ignore[arg-type] - the columns are its own
    assert message_id is not None
    return message_id


def found(session: Session, message_id: str) -> Message:
    """The message as it stands."""
    one = outbox.get(session, message_id)
    assert one is not None
    return one


def claim(
    session: Session, now: datetime, limit: int, owner: str, lease_s: float, *, kinds: Kinds = "all"
) -> list[ClaimedMessage]:
    """Lease whatever waits, as a courier does whose senders have no rate."""
    return leases.lease(session, leases.waiting(session, now, limit, kinds=kinds), owner, now, lease_s)
