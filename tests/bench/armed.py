"""Dives in the water, made for measuring: as many as asked, due when asked, without waiting for them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain.codes import make_code
from service.domain.dive import Dive, decide, evolve, next_due_at
from service.domain.dive.commands import FilePlan, NoteHanded, Start, Tick
from service.domain.grace import GracePeriods
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.plan import Contact, DivePlan, Diver
from service.operations.service import Service
from service.operations.telling import log_and_queue
from service.store import dives

RUN_TIME = timedelta(minutes=50)
BATCH = 250
NAMED = "bench"  # and the number, in eight digits


@dataclass
class MovedClock:
    """A clock that stands where it was put."""

    at: datetime

    def now(self) -> datetime:
        """Where it stands."""
        return self.at


def _plan(number: int) -> DivePlan:
    # Contacts have numbers of their own: of a contact who dives too the next one is told at once.
    return DivePlan(
        site=SitePlan(
            name="Lantern Cove",
            zone="Europe/London",
            rescue_call="07700 900999 (practice rescue desk)",
            position=Position(47.12345, -20.54321),
            points=(SitePoint(PointKind.EXIT, "East beach"), SitePoint(PointKind.EXIT, "West steps")),
        ),
        party=(Diver(f"Diver {number}", f"+4477009{number % 100_000:05d}"), Diver("Bram Vik")),
        contacts=(Contact("Cleo Marsh", "+441632960011"), Contact("Dov Lind", "+441632960012")),
        run_time=RUN_TIME,
        exits=("East beach", "West steps"),
    )


def _in_water(number: int, alert_at: datetime, *, until: datetime) -> list[tuple[Dive, object]]:
    """The events of one dive whose alert is due at `alert_at`, played by the clock up to `until`."""
    by = Actor(Role.DIVER, f"Diver {number}", Via.API, key="diver-0")
    grace = GracePeriods()
    started_at = alert_at - grace.grace - RUN_TIME
    filing = FilePlan(
        by=by,
        dive_id=f"{NAMED}{number:08d}",
        club_id="skerry-bay",
        club_name="Skerry Bay Divers",
        reference="7K",
        start_code=make_code(2 * number, 7),
        finish_code=make_code(2 * number + 1, 7),
        plan=_plan(number),
        grace=grace,
    )
    played: list[tuple[Dive, object]] = []
    dive: Dive | None = None
    commands = [(filing, started_at), (Start(by=by), started_at), (NoteHanded("start_notice", "contact-0"), started_at)]
    for command, at in commands:
        dive = _play(dive, command, at, played)
    while dive is not None and (due := next_due_at(dive)) is not None and due <= until:
        dive = _play(dive, Tick(), due, played)
    return played


def _play(dive: Dive | None, command: object, at: datetime, played: list[tuple[Dive, object]]) -> Dive | None:
    decision = decide(dive, command, at)  # type: ignore[arg-type]
    assert isinstance(decision, tuple), decision
    for event in decision:
        dive = evolve(dive, event)
        played.append((dive, event))
    return dive


def arm(
    service: Service,
    count: int,
    alert_at: Callable[[int], datetime],
    *,
    until: datetime,
    with_log: bool,
    first: int = 0,
    in_one: int = BATCH,
) -> None:
    """Put `count` dives into the database; `with_log` also writes their log (their messages count as sent).

    `in_one`: how many in one transaction.
    """

    def batch(session: Session, numbers: range) -> None:
        for number in numbers:
            played = _in_water(number, alert_at(number - first), until=until)
            last = played[-1][0]
            dives.add(
                session,
                last,
                receiving_number="+447700900500",
                site_id=None,
                request_key=None,
                next_due_at=next_due_at(last),
            )
            session.flush()
            if with_log:
                for dive, event in played:
                    log_and_queue(service, session, dive, event, event.at)  # type: ignore[attr-defined,arg-type]

    for begin in range(first, first + count, in_one):
        numbers = range(begin, min(begin + in_one, first + count))
        service.write(lambda session, numbers=numbers: batch(session, numbers))
