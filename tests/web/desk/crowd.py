"""A club on its busiest day: as many dives as asked, all in the water or all in alarm, put there without waiting."""

from __future__ import annotations

from datetime import timedelta

from sqlalchemy.orm import Session

from service.domain.codes import make_code
from service.domain.dive import Dive, decide, evolve, next_due_at
from service.domain.dive.commands import Command, FilePlan, Hear, NoteHanded, NoteUnreachable, Start, Tick
from service.domain.grace import GracePeriods
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.domain.place.site import SitePlan
from service.domain.plan import Contact, DivePlan, Diver
from service.operations.service import Service
from service.store import dives
from tests.web.installation import RECEIVING

RUN_TIME = timedelta(minutes=50)
NAMES = ("Annabel Holtermann", "Bram van der Vik", "Cleopatra Marshall", "Dov Lindqvist", "Edmund Rowbottom")
SITES = ("Lantern Steps, north side", "Chapel Cove", "The Old Pilot's Landing", "West Skerry")
SAID = "Two of us at the north slip, the third is still putting her gear away and says hello to everybody ashore"


def crowd(service: Service, club_id: str, count: int, *, overdue: bool, first: int = 0) -> None:
    """So many dives of the club, 20 minutes in; or overdue so long that their contacts were alerted and none answers.

    They are numbered from `first` on. Every third has a contact whom messages do not reach, and each was last heard
    with a long sentence.
    """
    now = service.clock.now()
    began = now - (RUN_TIME + timedelta(minutes=22) if overdue else timedelta(minutes=20))

    def work(session: Session) -> None:
        for place in range(first, first + count):
            dive: Dive | None = None
            by = Actor(Role.DIVER, _name(place), Via.TEXT, key="diver-0", words="IN 3")
            commands: list[Command] = [
                _filing(club_id, place, by),
                Start(by),
                NoteHanded("start_notice", "contact-0"),
                Hear(by, SAID),
                *([NoteUnreachable("contact-1", "refused")] if place % 3 == 0 else []),
            ]
            at = began + timedelta(seconds=place % 60)
            for command in commands:
                dive = _after(dive, command, at)
            while dive is not None and (due := next_due_at(dive)) is not None and due <= now:
                dive = _after(dive, Tick(), due)
            assert dive is not None
            due_at = next_due_at(dive)
            dives.add(session, dive, receiving_number=RECEIVING, site_id=None, request_key=None, next_due_at=due_at)

    service.write(work)


def _after(dive: Dive | None, command: Command, at: object) -> Dive | None:
    decision = decide(dive, command, at)  # type: ignore[arg-type]
    assert isinstance(decision, tuple), decision
    for event in decision:
        dive = evolve(dive, event)
    return dive


def _name(place: int) -> str:
    return f"{NAMES[place % len(NAMES)]} {place}"


def _filing(club_id: str, place: int, by: Actor) -> FilePlan:
    plan = DivePlan(
        site=SitePlan(
            name=SITES[place % len(SITES)],
            zone="Atlantic/Azores",
            rescue_call="112, ask for sea rescue",
            position=Position(47.12345, -20.54321),
        ),
        party=(Diver(by.name, f"+44770090{place % 10_000:04d}"), Diver("Gudrun Iversen"), Diver("Hana Quay")),
        contacts=(Contact("Cleo Marsh", "+447700900201"), Contact("Dov Lind", "+447700900202")),
        run_time=RUN_TIME,
    )
    return FilePlan(
        by=by,
        dive_id=f"{place:016x}",
        club_id=club_id,
        club_name="Skerry Bay Divers",
        reference="7K",
        start_code=make_code(2 * place, 7),
        finish_code=make_code(2 * place + 1, 7),
        plan=plan,
        grace=GracePeriods(),
    )
