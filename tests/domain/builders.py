"""An invented club, its people, and dives that are played from command to command, as the tests of the heart need."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import UTC, datetime, timedelta

from service.domain.dive import Command, Decision, Dive, Event, Refusal, decide, evolve, next_due_at
from service.domain.dive import commands as do
from service.domain.dive.events import Filed, StepTaken
from service.domain.grace import GracePeriods, Step
from service.domain.people import Actor, Role, Via
from service.domain.place.position import Position
from service.domain.place.site import PointKind, SitePlan, SitePoint
from service.domain.plan import Contact, DivePlan, Diver
from service.domain.wording import Draft, messages_for

NOW = datetime(2027, 6, 1, 9, 0, tzinfo=UTC)  # 10:00 on a Tuesday at the site
ZONE = "Europe/London"
RESCUE = "07700 900999 (practice desk)"

LEAD_PHONE, BUDDY_PHONE = "+447700900001", "+447700900002"
CONTACT_PHONES = tuple(f"+4477009000{number}" for number in range(11, 17))
STRANGER_PHONE = "+447700900077"


def diver(words: str = "OUT", index: int = 0, via: Via = Via.TEXT) -> Actor:
    """One of the party: Anna Holt, who leads, or Bram Vik."""
    name, phone = (("Anna Holt", LEAD_PHONE), ("Bram Vik", BUDDY_PHONE))[index]
    return Actor(Role.DIVER, name, via, f"diver-{index}", phone, words)


def contact(index: int = 0, words: str = "OK 7K", via: Via = Via.TEXT) -> Actor:
    """One of the people ashore: Cleo Marsh, Dov Lind, Edda Rowe."""
    name = ("Cleo Marsh", "Dov Lind", "Edda Rowe")[index]
    return Actor(Role.CONTACT, name, via, f"contact-{index}", CONTACT_PHONES[index], words)


ADMIN = Actor(Role.ADMIN, "Finn Gray", Via.PAGE, "admin-1", None, "stand down")
STRANGER = Actor(Role.STRANGER, "a phone ending 077", Via.TEXT, None, STRANGER_PHONE, "OUT 731905")
SCRIPT = Actor(Role.STRANGER, "the kiosk", Via.API)

SITE = SitePlan(
    name="Lantern Cove",
    zone=ZONE,
    rescue_call=RESCUE,
    code="LANTERN",
    position=Position(47.12345, -20.54321),
    points=(SitePoint(PointKind.EXIT, "North slip"), SitePoint(PointKind.EXIT, "Beach")),
    access="Track from the farm gate",
)
PLAN = DivePlan(
    site=SITE,
    party=(Diver("Anna Holt", LEAD_PHONE), Diver("Bram Vik", BUDDY_PHONE)),
    contacts=(
        Contact("Cleo Marsh", CONTACT_PHONES[0]),
        Contact("Dov Lind", CONTACT_PHONES[1]),
        Contact("Edda Rowe", CONTACT_PHONES[2]),
    ),
    run_time=timedelta(minutes=50),
    exits=("North slip", "Beach"),
    vehicle="blue van",
    kit="orange buoy",
)
PLANNED = replace(PLAN, time_in_at=NOW)
CONTACT_KEYS = ("contact-0", "contact-1", "contact-2")
PARTY_KEYS = ("diver-0", "diver-1")

# Of a dive with these plans that goes in at NOW, by the defaults of the ladder.
DUE_OUT, RAISE_BY, DISTRESS, HAND_UP = 50, 65, 80, 110


def at(minutes: float = 0, seconds: float = 0) -> datetime:
    """So long after NOW."""
    return NOW + timedelta(minutes=minutes, seconds=seconds)


def file_plan(
    plan: DivePlan = PLAN, grace: GracePeriods | None = None, *, drill: bool = False, calls: bool = False
) -> do.FilePlan:
    """The command that files a plan."""
    return do.FilePlan(
        by=diver("form", via=Via.PAGE),
        dive_id="d1",
        club_id="skerry-bay",
        club_name="Skerry Bay Divers",
        reference="7K",
        start_code="482139",
        finish_code="731905",
        plan=plan,
        grace=grace or GracePeriods(),
        drill=drill,
        calls=calls,
    )


@dataclass(slots=True)
class Story:
    """A dive and all that happened to it: every event, and every message with the event that caused it."""

    dive: Dive
    events: list[Event] = field(default_factory=list)
    told: list[tuple[Event, Draft]] = field(default_factory=list)

    def does(self, command: Command, now: datetime) -> Decision:
        """Decide a command, and if it is events let them happen."""
        decision = decide(self.dive, command, now)
        if not isinstance(decision, Refusal):
            self.happens(decision)
        return decision

    def happens(self, events: Sequence[Event]) -> None:
        """Let events happen, and keep what people are told of them."""
        for event in events:
            self.dive = evolve(self.dive, event)
            self.events.append(event)
            self.told += [(event, draft) for draft in messages_for(self.dive, event)]

    def ticks(self, now: datetime) -> list[Draft]:
        """One sweep; gives what people are told by it."""
        before = len(self.told)
        self.does(do.Tick(), now)
        return [draft for _, draft in self.told[before:]]

    def runs_to(self, now: datetime) -> None:
        """Every sweep that is due until then, each at its moment."""
        while (due_at := next_due_at(self.dive)) is not None and due_at <= now:
            self.ticks(due_at)

    def said(self, command: Command, now: datetime) -> list[Draft]:
        """What people are told of a command."""
        before = len(self.told)
        self.does(command, now)
        return [draft for _, draft in self.told[before:]]

    def steps(self) -> list[Step]:
        """The rungs that were taken, in their order."""
        return [event.step for event in self.events if isinstance(event, StepTaken)]

    def texts_to(self, key: str) -> list[str]:
        """Everything that one person was told."""
        return [draft.text for _, draft in self.told if draft.to.key == key]


def filed(
    plan: DivePlan = PLAN, grace: GracePeriods | None = None, *, drill: bool = False, calls: bool = False
) -> Story:
    """A dive that is filed at NOW."""
    decision = decide(None, file_plan(plan, grace, drill=drill, calls=calls), NOW)
    assert isinstance(decision, tuple)
    event = decision[0]
    assert isinstance(event, Filed)
    dive = evolve(None, event)
    return Story(dive, [event], [(event, draft) for draft in messages_for(dive, event)])


def in_water(
    plan: DivePlan = PLAN, grace: GracePeriods | None = None, *, armed: bool = True, calls: bool = False
) -> Story:
    """A dive that went in at NOW; armed unless said otherwise."""
    story = filed(plan, grace, calls=calls)
    story.does(do.Start(diver("IN")), NOW)
    if armed:
        story.does(do.NoteHanded("start_notice", "contact-0"), at(seconds=2))
    return story


def overdue(minutes: float, plan: DivePlan = PLAN, grace: GracePeriods | None = None) -> Story:
    """A dive that went in at NOW, with every sweep on time until so many minutes later."""
    story = in_water(plan, grace)
    story.runs_to(at(minutes))
    return story


def kinds(decision: Decision) -> list[str]:
    """The kinds of events that a decision is, or the code of its refusal."""
    if isinstance(decision, Refusal):
        return [f"refused: {decision.code}"]
    return [type(event).__name__ for event in decision]


def step_of(decision: Decision, step: Step) -> StepTaken:
    """The one event of a decision that takes this step."""
    assert isinstance(decision, tuple)
    (found,) = [event for event in decision if isinstance(event, StepTaken) and event.step is step]
    return found


def keys(drafts: Sequence[Draft]) -> list[str]:
    """Whom drafts go to, sorted."""
    return sorted(draft.to.key for draft in drafts)
