"""What grace periods would do: an example dive, played in memory by the heart itself.

Nothing is stored and nothing is sent. The events are those of `decide` and `tick`, the words those of `messages_for`,
so that what is shown cannot differ from what is done.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from enum import StrEnum
from typing import Final

from service.domain.dive import Dive, Event, Phase, Refusal, decide, evolve, next_due_at
from service.domain.dive import commands as do
from service.domain.dive import events as ev
from service.domain.dive.decide import START_NOTICE
from service.domain.grace import GracePeriods, Step
from service.domain.people import Actor, Channel, Role, Via, contact_key, diver_key
from service.domain.place.position import Position
from service.domain.place.site import SitePlan
from service.domain.plan import CONTACTS_MAX, PARTY_MAX, RUN_TIME_MAX, RUN_TIME_MIN, Contact, DivePlan, Diver
from service.domain.wording import Draft, MessageKind, messages_for

FILED_BEFORE: Final = timedelta(minutes=30)
ANSWERS_AFTER: Final = timedelta(minutes=2)
ASKS_BEFORE: Final = timedelta(minutes=12)  # before due out
LATER_BY: Final = 20  # minutes, as the heads-up suggests
TICKS_MAX: Final = 1_000
PHONES_MAX: Final = PARTY_MAX
_NAMES: Final = (
    *("Elin Moss", "Rolf Tarn", "Ines Falk", "Joris Berg", "Kaya Lund", "Liv Storm"),
    *("Mats Eker", "Nela Birk", "Otto Quist", "Pia Rask", "Runa Sund", "Sven Toft"),
)
_ASHORE: Final = ("Maren Grove", "Pelle Ask", "Signe Lowe", "Tove Brand", "Ulf Dale", "Vida Kern")
_REPEATED: Final = (Step.DISTRESS_AGAIN,)


class Story(StrEnum):
    """What happens in the example."""

    SILENT = "silent"  # they start by text, and then nothing is heard
    ANSWERED = "answered"  # the first contact answers the alert with OK, and then nothing is heard
    LATE = "late"  # they ask for 20 minutes more, and then nothing is heard
    UNSTARTED = "unstarted"  # nobody says that they went in


@dataclass(frozen=True, slots=True)
class Example:
    """The dive that is played. Raises ValueError for what no plan may have."""

    time_in_at: datetime
    run_time: timedelta = timedelta(minutes=50)
    phones: int = 2
    contacts: int = 2
    story: Story = Story.SILENT

    def __post_init__(self) -> None:
        fits = RUN_TIME_MIN <= self.run_time <= RUN_TIME_MAX
        if not fits or not 1 <= self.phones <= PHONES_MAX or not 1 <= self.contacts <= CONTACTS_MAX:
            raise ValueError("no plan may be like that")


@dataclass(frozen=True, slots=True)
class Place:
    """Whose dive it is and where, as far as the words depend on it. `calls`: the service can make voice calls."""

    club_name: str
    site_name: str
    zone: str
    rescue_call: str
    code: str | None = None
    position: Position | None = None
    calls: bool = False


@dataclass(frozen=True, slots=True)
class Said:
    """One message: to whom (keys of the dive), how urgent, by which way. `text` is what the first of them gets."""

    to: tuple[str, ...]
    kind: MessageKind
    channel: Channel
    text: str


@dataclass(frozen=True, slots=True)
class Happening:
    """One event: what it is called, and what is said because of it.

    `times` and `last_at` are those of a step that comes again and again with nothing else between.
    """

    name: str
    said: tuple[Said, ...]
    to: tuple[str, ...]
    step: Step | None = None
    times: int = 1
    last_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Moment:
    """What happens at one instant, and the phase of the dive after it."""

    at: datetime
    happenings: tuple[Happening, ...]
    phase: Phase


@dataclass(frozen=True, slots=True)
class Played:
    """The example from the start, or from the time at which it should have begun, until the ladder only repeats.

    `goes_on_at`: when the next step would come; None where nothing more would.
    """

    moments: tuple[Moment, ...]
    dive: Dive
    goes_on_at: datetime | None

    @property
    def started_at(self) -> datetime:
        """When they went in, or had planned to."""
        return self.dive.started_at or self.dive.plan.time_in_at or self.dive.filed_at


def play(grace: GracePeriods, example: Example, place: Place) -> Played:
    """Play the example under these periods. Raises ValueError for periods that contradict each other."""
    if grace.problems():
        raise ValueError("periods that contradict each other cannot be played")
    dive = _filed(grace, example, place)
    record, script = _Record(), list(_script(example))
    for _ in range(TICKS_MAX):
        due_at = next_due_at(dive)
        asked_at = script[0].at(dive) if script else None
        if asked_at is not None and (due_at is None or asked_at <= due_at):
            now, command = asked_at, script.pop(0).command
        elif due_at is not None and due_at <= _until(dive, example):
            now, command = due_at, do.Tick()
        else:
            break
        decided = decide(dive, command, now)
        if isinstance(decided, Refusal):
            record.refused(decided, dive)
            continue
        for event in decided:
            dive = _told(evolve(dive, event), event, now, record)
    return Played(record.moments(), dive, next_due_at(dive))


def _told(dive: Dive, event: Event, now: datetime, record: _Record) -> Dive:
    """The dive once the messages of an event are with a gateway, which in the example takes them at once."""
    record.add(dive, event, now)
    step = START_NOTICE if isinstance(event, ev.Started) else _extension(dive)
    if not isinstance(event, ev.Started | ev.ExtensionAsked):
        return dive
    handed = decide(dive, do.NoteHanded(step, contact_key(0)), now)
    for following in () if isinstance(handed, Refusal) else handed:
        dive = evolve(dive, following)
        record.add(dive, following, now)
    return dive


def _until(dive: Dive, example: Example) -> datetime:
    """Past the hand-up, with the repeat of distress that follows it."""
    ladder = dive.grace
    due_out_at = dive.due_out_at or example.time_in_at + example.run_time
    return due_out_at + max(ladder.hand_up_after, ladder.distress_after) + ladder.distress_every


@dataclass(frozen=True, slots=True)
class _Line:
    """A line of the script: when somebody does something, which may depend on how the dive stands, and what."""

    at: Callable[[Dive], datetime]
    command: do.Command


def _script(example: Example) -> Iterator[_Line]:
    lead = Actor(Role.DIVER, _NAMES[0], Via.TEXT, diver_key(0), _phone(1), "IN")
    first = Actor(Role.CONTACT, _ASHORE[0], Via.TEXT, contact_key(0), _phone(11), "OK")
    went_in_at, asks_at = example.time_in_at, example.time_in_at + max(example.run_time - ASKS_BEFORE, timedelta())
    if example.story is Story.UNSTARTED:
        return
    yield _Line(lambda _: went_in_at, do.Start(by=lead))
    if example.story is Story.LATE:
        asks = replace(lead, words=f"LATE {LATER_BY}")
        yield _Line(lambda _: asks_at, do.Extend(by=asks, minutes=LATER_BY))
    if example.story is Story.ANSWERED:
        yield _Line(lambda dive: _raise_by(dive) + ANSWERS_AFTER, do.Acknowledge(by=first))


def _extension(dive: Dive) -> str:
    return "" if dive.extension is None else dive.extension.step


def _raise_by(dive: Dive) -> datetime:
    return dive.raise_by_at or dive.filed_at


class _Record:
    """The moments as they are played; a step that only comes again is counted and not worded anew."""

    def __init__(self) -> None:
        self._moments: list[Moment] = []

    def moments(self) -> tuple[Moment, ...]:
        """All of them, in their order."""
        return tuple(self._moments)

    def add(self, dive: Dive, event: Event, now: datetime) -> None:
        """One event, and what people are told of it."""
        step = event.step if isinstance(event, ev.StepTaken) else None
        if step in _REPEATED and self._counted(now):
            return
        said = tuple(_said(messages_for(dive, event)))
        to = event.to if isinstance(event, ev.StepTaken) else ()
        self._put(now, Happening(_name(event), said, to, step), dive.phase)

    def refused(self, refusal: Refusal, dive: Dive) -> None:
        """What was asked is not done, and whoever asked hears why."""
        answer = Said((diver_key(0),), MessageKind.REPLY, Channel.TEXT, f"{dive.club_name}: {refusal.words}")
        self._put(refusal.at, Happening("Refused", (answer,), ()), dive.phase)

    def _put(self, now: datetime, happening: Happening, phase: Phase) -> None:
        if self._moments and self._moments[-1].at == now:
            last = self._moments[-1]
            self._moments[-1] = Moment(now, (*last.happenings, happening), phase)
        else:
            self._moments.append(Moment(now, (happening,), phase))

    def _counted(self, now: datetime) -> bool:
        """Add one to the last moment that was such a repeat, if any was."""
        for place in range(len(self._moments) - 1, -1, -1):
            moment = self._moments[place]
            last = moment.happenings[-1]
            if last.step in _REPEATED:
                again = replace(last, times=last.times + 1, last_at=now)
                self._moments[place] = replace(moment, happenings=(*moment.happenings[:-1], again))
                return True
        return False


def _said(drafts: Sequence[Draft]) -> Iterator[Said]:
    """Messages of one kind and way together; the words are those of the first."""
    groups: dict[tuple[MessageKind, Channel], list[Draft]] = {}
    for draft in drafts:
        groups.setdefault((draft.kind, draft.channel), []).append(draft)
    for (kind, channel), of_it in groups.items():
        yield Said(tuple(dict.fromkeys(draft.to.key for draft in of_it)), kind, channel, of_it[0].text)


_STEPS: Final = {
    Step.ASK_STARTED: "Asked: in?",
    Step.HEADS_UP: "Heads-up",
    Step.DUE_OUT: "Due out",
    Step.SECOND_CALL: "Second call",
    Step.ALERT: "Alert",
    Step.NEXT_CONTACT: "Next contact",
    Step.DISTRESS: "Distress",
    Step.DISTRESS_AGAIN: "Distress again",
    Step.HAND_UP: "Hand-up",
    Step.ASK_OUT: "Asked: out?",
}
_EVENTS: Final[dict[type, str]] = {
    ev.Armed: "Armed",
    ev.NotArmed: "Not armed",
    ev.ExtensionAsked: f"LATE {LATER_BY}",
    ev.ExtensionTookEffect: "In force",
    ev.ExtensionNotInForce: "Not in force",
    ev.Acknowledged: "First answers",
    ev.Closed: "Lapsed",
}


def _name(event: Event) -> str:
    if isinstance(event, ev.StepTaken):
        return _STEPS[event.step]
    if isinstance(event, ev.Started):
        return "Start assumed" if event.assumed else "In"
    return _EVENTS.get(type(event), type(event).__name__)


def _phone(last: int) -> str:
    """A number that is kept for stories (Ofcom's range for drama)."""
    return f"+4477009000{last:02}"


def _filed(grace: GracePeriods, example: Example, place: Place) -> Dive:
    ways = (Channel.TEXT, Channel.CALL) if place.calls else (Channel.TEXT,)
    plan = DivePlan(
        site=SitePlan(
            name=place.site_name,
            zone=place.zone,
            rescue_call=place.rescue_call,
            code=place.code,
            position=place.position,
        ),
        party=tuple(Diver(name, _phone(31 + n)) for n, name in enumerate(_NAMES[: example.phones])),
        contacts=tuple(
            Contact(name, _phone(11 + n), channels=ways) for n, name in enumerate(_ASHORE[: example.contacts])
        ),
        run_time=example.run_time,
        time_in_at=example.time_in_at,
        vehicle="blue van",
    )
    filed = ev.Filed(
        at=example.time_in_at - FILED_BEFORE,
        by=Actor(Role.DIVER, _NAMES[0], Via.PAGE, diver_key(0)),
        dive_id="example",
        club_id="example",
        club_name=place.club_name,
        reference="7K",
        start_code="482913",
        finish_code="731904",
        plan=plan,
        grace=grace,
        calls=place.calls,
    )
    return evolve(None, filed)
