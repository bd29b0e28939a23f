"""The heart in small worlds: a handful of deeds around a moment that matters, in every order.

A moment has instants, one for each deed of an order; the deed "nothing" leaves one of them empty. Orders are played as
a tree, so what begins alike is played once, and every node of it is itself an order of fewer deeds.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from service.domain.dive import Command, Decision, Dive, Event, Refusal, decide, evolve, next_due_at
from service.domain.dive import commands as do
from service.domain.grace import Step
from service.domain.people import Channel
from service.domain.wording import Draft, messages_for
from tests.domain.builders import (
    PLAN,
    PLANNED,
    STRANGER,
    Story,
    at,
    contact,
    diver,
    filed,
    in_water,
    overdue,
)

CALM = timedelta(hours=3)
NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Deed:
    """Something that somebody or something does once. `needs`: what must have been done before it can happen."""

    name: str
    command: Command | None = None
    needs: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Moment:
    """What was so before, the deeds around it, and the instants at which they are done, one each."""

    name: str
    begin: Callable[[], Story]
    instants: tuple[datetime, ...]
    deeds: tuple[Deed, ...]


@dataclass(frozen=True, slots=True)
class Turn:
    """One deed: what was decided, what happened, and what people were told of it."""

    deed: Deed
    now: datetime
    before: Dive
    decision: Decision
    after: Dive
    steps: tuple[tuple[Event, Dive, tuple[Draft, ...]], ...]

    @property
    def events(self) -> tuple[Event, ...]:
        """What happened."""
        return () if isinstance(self.decision, Refusal) else self.decision


@dataclass(frozen=True, slots=True)
class World:
    """One order so far: the dive with its history before, and the turns."""

    moment: Moment
    begun: Story
    turns: tuple[Turn, ...]
    left: tuple[Deed, ...]

    @property
    def dive(self) -> Dive:
        """The dive as it stands."""
        return self.turns[-1].after if self.turns else self.begun.dive

    @property
    def now(self) -> datetime:
        """The instant of the last deed."""
        return self.moment.instants[len(self.turns) - 1]

    @property
    def order(self) -> str:
        """The deeds so far, for whoever reads a failure."""
        return ", ".join(turn.deed.name for turn in self.turns)

    def events(self) -> list[Event]:
        """All that happened to the dive, also before."""
        return [*self.begun.events, *(event for turn in self.turns for event in turn.events)]

    def drafts(self) -> list[tuple[Event, Draft]]:
        """All that people were told, also before, with the event that caused it."""
        here = [(event, draft) for turn in self.turns for event, _, drafts in turn.steps for draft in drafts]
        return [*self.begun.told, *here]


def worlds(moment: Moment) -> Iterator[World]:
    """Every order of every subset of its deeds in which each deed can happen."""
    begun = moment.begin()
    yield from _after(World(moment, begun, (), moment.deeds))


def _after(world: World) -> Iterator[World]:
    done = {turn.deed.name for turn in world.turns}
    tried: set[str] = set()
    for place, deed in enumerate(world.left):
        if deed.name in tried or not done.issuperset(deed.needs):
            continue
        tried.add(deed.name)
        turn = take(deed, world.dive, world.moment.instants[len(world.turns)])
        left = world.left[:place] + world.left[place + 1 :]
        following = replace(world, turns=(*world.turns, turn), left=left)
        yield following
        yield from _after(following)


def take(deed: Deed, dive: Dive, now: datetime) -> Turn:
    """Let a deed be done to a dive."""
    decision: Decision = () if deed.command is None else decide(dive, deed.command, now)
    steps: list[tuple[Event, Dive, tuple[Draft, ...]]] = []
    after = dive
    for event in () if isinstance(decision, Refusal) else decision:
        after = evolve(after, event)
        steps.append((event, after, tuple(messages_for(after, event))))
    return Turn(deed, now, dive, decision, after, tuple(steps))


def calm(dive: Dive, now: datetime) -> tuple[Dive, list[Event]]:
    """Nobody says anything more, and every sweep comes at its moment, until distress was told or for three hours."""
    events: list[Event] = []
    end = now + CALM
    while (due_at := next_due_at(dive)) is not None and due_at <= end and Step.DISTRESS not in dive.steps:
        decision = decide(dive, do.Tick(), max(due_at, now))
        assert decision, "a sweep would spin"
        assert not isinstance(decision, Refusal)
        for event in decision:
            dive = evolve(dive, event)
            events.append(event)
    return dive, events


# The moments


def tick(number: int = 1) -> Deed:
    """A sweep comes."""
    return Deed(f"sweep {number}", do.Tick(), (f"sweep {number - 1}",) if number > 1 else ())


NOTHING_DONE = Deed(NOTHING)
FINISH = Deed("finish", do.Finish(diver("OUT 2"), 2))
BARE = Deed("bare finish by the buddy", do.Finish(diver("OUT", 1)))
AGAIN = Deed("the finish again", do.Finish(diver("OUT 2"), 2), ("finish",))
PARTLY = Deed("one is out", do.Finish(diver("OUT 1"), 1))
LATE = Deed("late", do.Extend(diver("LATE 20"), 20))
LATE_HANDED = Deed("late is handed", do.NoteHanded("extension-1", "contact-0"), ("late",))
SOS = Deed("sos", do.RaiseNow(diver("SOS", 1), "SOS"))
CALL_OFF = Deed("call off", do.CallOff(diver("NODIVE")))
OK = Deed("ok", do.Acknowledge(contact(0)))
OK_OF_SECOND = Deed("ok of the second", do.Acknowledge(contact(1)))
CALLED = Deed("called", do.ReportCalled(contact(1, "CALLED")))
FIRST_CALLED = Deed("called by the first", do.ReportCalled(contact(0, "CALLED")))
NOT_CALLED = Deed("not called", do.TakeBackCalled(contact(1, "NOT CALLED")))
FIRST_NOT_CALLED = Deed("not called, by the first", do.TakeBackCalled(contact(0, "NOT CALLED")))
SAFE = Deed("safe 2", do.ReportSafe(contact(1, "SAFE 2"), 2))
SAFE_ONE = Deed("safe 1", do.ReportSafe(contact(0, "SAFE 1"), 1))
STOP = Deed("stop", do.NoteUnreachable("contact-0", "opted_out"))
START_AGAIN = Deed("texts again", do.NoteReachable("contact-0"), ("stop",))
NO_RECEIPT = Deed("no receipt", do.NoteUnreachable("contact-0", "no_receipt"))
FAILED = Deed("receipt failed", do.NoteUnreachable("contact-0", "refused"))
DELIVERED = Deed("receipt delivered", do.NoteReachable("contact-0", has_alarm=True, step="alert-8"))
SECOND_DEAF = Deed("the second is deaf", do.NoteUnreachable("contact-1", "refused"))
DECLINE = Deed("decline", do.NoteUnreachable("contact-0", "declined"))
AGREE = Deed("agree", do.NoteReachable("contact-0", agreed=True), ("decline",))
START = Deed("start", do.Start(diver("IN")))
START_HANDED = Deed("start is handed", do.NoteHanded("start_notice", "contact-0"))
CODE = Deed("finish by a stranger's code", do.Finish(STRANGER, 2, with_code=True))
NO_ANSWER = Deed("no answer", do.NoteUnreachable("contact-0", "no_answer", Channel.CALL))
KEY = Deed("key pressed", do.NoteReachable("contact-0", has_alarm=True, channel=Channel.CALL, step="alert-8"))


def called_first() -> Story:
    """A dive whose first contact is called before they are texted."""
    first = replace(PLAN.contacts[0], channels=(Channel.CALL, Channel.TEXT))
    return in_water(replace(PLAN, contacts=(first, *PLAN.contacts[1:])), calls=True)


def alarmed() -> Story:
    """A dive whose first contact has the alert."""
    return overdue(65)


def ended() -> Story:
    """A dive whose alarm was ended by its lead."""
    story = overdue(66)
    story.does(do.Finish(diver("OUT 2"), 2), at(67))
    return story


MOMENTS = (
    Moment(
        "its raise-by time",
        in_water,
        (at(49), at(50), at(64), at(64, 59), at(65), at(65, 1), at(66)),
        (tick(), tick(2), LATE, LATE_HANDED, PARTLY, BARE, SOS),
    ),
    Moment(
        "a finish at its raise-by time",
        in_water,
        (at(50), at(64, 59), at(65), at(65, 1), at(66), at(67)),
        (NOTHING_DONE, NOTHING_DONE, tick(), FINISH, AGAIN, SOS),
    ),
    Moment(
        "the first contact is told",
        alarmed,
        (at(65, 1), at(65, 2), at(67), at(69, 59), at(70), at(70, 1)),
        (OK, NO_RECEIPT, DELIVERED, STOP, START_AGAIN, tick()),
    ),
    Moment(
        "contacts answer",
        alarmed,
        (at(66), at(70), at(71), at(79, 59), at(80), at(80, 1), at(90)),
        (tick(), tick(2), OK_OF_SECOND, CALLED, SAFE_ONE, BARE, SAFE),
    ),
    Moment(
        "whether rescue was called",
        alarmed,
        (at(66), at(67), at(79, 59), at(80), at(80, 1), at(90)),
        (tick(), CALLED, FIRST_CALLED, NOT_CALLED, FIRST_NOT_CALLED, SAFE),
    ),
    Moment(
        "contacts cannot be reached",
        alarmed,
        (at(65, 5), at(66), at(70), at(71), at(80), at(81)),
        (FAILED, SECOND_DEAF, DECLINE, AGREE, tick(), LATE),
    ),
    Moment(
        "a start that was planned",
        lambda: filed(PLANNED),
        (at(14), at(15), at(19, 59), at(20), at(20, 1), at(21), at(70)),
        (tick(), tick(2), START, START_HANDED, CALL_OFF, CODE, SOS),
    ),
    Moment(
        "the contacts are asked",
        lambda: in_water(armed=False),
        (at(0, 1), at(0, 29), at(0, 30), at(0, 31), at(1), at(65)),
        (START_HANDED, DECLINE, AGREE, STOP, tick(), LATE),
    ),
    Moment(
        "the end of an alarm",
        ended,
        (at(68), at(69), at(100), at(186, 59), at(187), at(188)),
        (NOTHING_DONE, SOS, tick(), OK, BARE, SAFE),
    ),
    Moment(
        "a call",
        called_first,
        (at(65), at(65, 30), at(69), at(70), at(75), at(80)),
        (tick(), tick(2), NO_ANSWER, KEY, OK, FINISH),
    ),
)
