"""What can have happened to a dive. Past tense; each carries its UTC instant `at` and all that `evolve` needs.

The audit log stores these and nothing else changes a dive.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum

from service.domain.grace import GracePeriods, Step
from service.domain.people import Actor, Channel, Role
from service.domain.place.conditions import Current, Wind
from service.domain.place.fix import Doubt, Source
from service.domain.place.position import Position
from service.domain.plan import DivePlan

REAL_ALARM = "A real alarm takes its place."
"""The reason of a drill that gave way to one."""


class Outcome(StrEnum):
    """How a dive closed."""

    SURFACED = "surfaced"
    CALLED_OFF = "called_off"
    STOOD_DOWN = "stood_down"
    LAPSED = "lapsed"


@dataclass(frozen=True, slots=True)
class Filed:
    """A plan was taken; the settings that hold for it are fixed here.

    `calls`: the service can make voice calls. `newcomers` are the keys of contacts who have never been told what
    is asked of them. `telling` are those of the contacts who get the plan at once, where the party goes in with the
    same word. `said_at`: when it was said, where it reached us later; logs of before that was told have none.
    """

    at: datetime
    by: Actor
    dive_id: str
    club_id: str
    club_name: str
    reference: str
    start_code: str
    finish_code: str
    plan: DivePlan
    grace: GracePeriods
    drill: bool = False
    calls: bool = False
    newcomers: tuple[str, ...] = ()
    telling: tuple[str, ...] = ()
    said_at: datetime | None = None


@dataclass(frozen=True, slots=True)
class Started:
    """The clock runs. `assumed`: nobody said so. `quiet`: roles to whom a graver message follows at once.

    `spared` are the contacts to whom it follows; the others of a quiet role still need the plan.
    `passed_over`: the question about the start, where the clock came too late for it.
    """

    at: datetime
    by: Actor
    started_at: datetime
    due_out_at: datetime
    head_count: int
    assumed: bool = False
    quiet: tuple[Role, ...] = ()
    passed_over: tuple[Step, ...] = ()
    spared: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StartSaid:
    """They say that they went in, after the clock had assumed it, or that more went in than they had said.

    From now on nobody calls the dive off. `head_count` is given where it grows.
    """

    at: datetime
    by: Actor
    head_count: int | None = None


@dataclass(frozen=True, slots=True)
class Armed:
    """A gateway took the start notice of `contact`: somebody ashore holds the plan."""

    at: datetime
    contact: str


@dataclass(frozen=True, slots=True)
class NotArmed:
    """No contact could be told in time; the diver is told to phone somebody."""

    at: datetime


@dataclass(frozen=True, slots=True)
class StepTaken:
    """A rung of the ladder: who is told (`to`), when it was due, and which rungs were passed over."""

    at: datetime
    step: Step
    due_at: datetime
    to: tuple[str, ...]
    number: int = 1
    passed_over: tuple[Step, ...] = ()


@dataclass(frozen=True, slots=True)
class ExtensionAsked:
    """The party wants to be longer; it counts once a contact has been handed the new raise-by time."""

    at: datetime
    by: Actor
    due_out_at: datetime
    number: int


@dataclass(frozen=True, slots=True)
class ExtensionTookEffect:
    """`contact` was handed the new raise-by time, so due out has moved."""

    at: datetime
    due_out_at: datetime
    number: int
    contact: str


@dataclass(frozen=True, slots=True)
class ExtensionNotInForce:
    """No contact could be told of the extension yet; the old due out stands, and the diver hears it."""

    at: datetime
    number: int


@dataclass(frozen=True, slots=True)
class LatePassedOn:
    """A late text came after the alert: the contacts are told and decide."""

    at: datetime
    by: Actor


@dataclass(frozen=True, slots=True)
class PartlyOut:
    """Fewer than the party are out. Not a finish; the clock goes on."""

    at: datetime
    by: Actor
    count: int
    missing: int


@dataclass(frozen=True, slots=True)
class AlarmRaised:
    """Somebody raised the alarm. `worry`: their words were not a command. `again`: it was up already.

    `told_at`: when a keeper raised it by its snapshot, while the database was gone; `told` were reached then, and this
    tells nobody. Logs of before `again` was told fold as they did: there the last who raised it took the place of all
    before.
    """

    at: datetime
    by: Actor
    note: str | None = None
    worry: bool = False
    reopened: bool = False
    again: bool = False
    told_at: datetime | None = None
    told: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Acknowledged:
    """A contact has the alarm and acts on it."""

    at: datetime
    by: Actor


@dataclass(frozen=True, slots=True)
class RescueCalled:
    """Somebody called rescue; `reference` is the incident's, if they gave one. `beside`: it was called already.

    Logs of before `beside` was told fold as they did: there the last who said so took the place of all before.
    """

    at: datetime
    by: Actor
    reference: str | None = None
    beside: bool = False


@dataclass(frozen=True, slots=True)
class CalledTakenBack:
    """Rescue was not called after all. `whose` are the keys of those whose word for it falls: the own, or others'.

    `stands`: another's word for it holds, so that rescue is called still.
    """

    at: datetime
    by: Actor
    whose: tuple[str, ...]
    stands: bool = False


@dataclass(frozen=True, slots=True)
class FixReported:
    """A position of the party was given. `fix_at`: when they were there; `doubt`: why it is not used."""

    at: datetime
    by: Actor
    position: Position
    fix_at: datetime
    source: Source
    accuracy_m: float | None = None
    doubt: Doubt | None = None


@dataclass(frozen=True, slots=True)
class ConditionsReported:
    """Somebody on the spot said what the water and the wind do. `apart`: each keeps its own time and who saw it.

    Logs of before `apart` was told fold as they did: there both have those of whoever said either last.
    """

    at: datetime
    by: Actor
    current: Current | None = None
    wind: Wind | None = None
    apart: bool = False


@dataclass(frozen=True, slots=True)
class OnScene:
    """A contact is at the site, for rescue to meet."""

    at: datetime
    by: Actor


@dataclass(frozen=True, slots=True)
class Heard:
    """A text that is none of the forms, kept word for word. `near` is what was probably meant.

    `trouble` is what is wrong with the position that it nearly is; `answered`, whether the sender is told of it;
    `asked_which`, that it may be about another dive and did nothing; `overtaken`, that it was understood and counts no
    more by what came after it: "not_called", or "news" of any other kind.
    """

    at: datetime
    by: Actor
    words: str
    near: str | None = None
    trouble: str | None = None
    answered: bool = True
    asked_which: bool = False
    overtaken: str | None = None


@dataclass(frozen=True, slots=True)
class NoteAdded:
    """Somebody of the club noted what they know. It moves nothing, and nobody is told of it by message."""

    at: datetime
    by: Actor
    words: str


@dataclass(frozen=True, slots=True)
class PersonUnreachable:
    """This way does not reach this person: `reason` is refused, opted_out, declined, no_receipt or no_answer.

    `gives_up`: they had answered the alarm and want nothing from us any more, so that nobody may count on their answer.
    """

    at: datetime
    person: str
    reason: str
    channel: Channel = Channel.TEXT
    gives_up: bool = False


@dataclass(frozen=True, slots=True)
class PersonReachable:
    """This person can be reached after all. `has_alarm`: it is known that the alarm itself got through.

    `agreed`: they had declined to be a contact, and agree now.
    """

    at: datetime
    person: str
    has_alarm: bool = False
    channel: Channel = Channel.TEXT
    agreed: bool = False


@dataclass(frozen=True, slots=True)
class ToldMeanwhile:
    """While the database was gone a keeper took this step by its snapshot, at `told_at`; `to` were reached by it."""

    at: datetime
    step: Step
    to: tuple[str, ...]
    due_at: datetime
    told_at: datetime


@dataclass(frozen=True, slots=True)
class Held:
    """What we know is a copy of `copied_at`, so the party is asked first, at `ask_at`.

    The clock alerts nobody before `until_at`.
    """

    at: datetime
    by: Actor
    copied_at: datetime
    ask_at: datetime
    until_at: datetime


@dataclass(frozen=True, slots=True)
class HoldEnded:
    """Somebody said that the clock may go on before that."""

    at: datetime
    by: Actor


@dataclass(frozen=True, slots=True)
class Closed:
    """It is over, by whose word, and how many are out. `never_started`: the clock had not been running."""

    at: datetime
    by: Actor
    outcome: Outcome
    count: int | None = None
    never_started: bool = False
    reason: str | None = None


Event = (
    Filed
    | Started
    | StartSaid
    | Armed
    | NotArmed
    | StepTaken
    | ExtensionAsked
    | ExtensionTookEffect
    | ExtensionNotInForce
    | LatePassedOn
    | PartlyOut
    | AlarmRaised
    | Acknowledged
    | RescueCalled
    | CalledTakenBack
    | FixReported
    | ConditionsReported
    | OnScene
    | Heard
    | NoteAdded
    | PersonUnreachable
    | PersonReachable
    | ToldMeanwhile
    | Held
    | HoldEnded
    | Closed
)
