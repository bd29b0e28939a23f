"""What can be asked of a dive. Imperative; `by` says who asks."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta

from service.domain.grace import GracePeriods, Step
from service.domain.language import Words, render
from service.domain.people import Actor, Channel
from service.domain.place.conditions import Current, Wind
from service.domain.place.fix import Source
from service.domain.place.position import Position
from service.domain.plan import DivePlan


@dataclass(frozen=True, slots=True)
class FilePlan:
    """Take a plan. The codes are unique among the live dives of the receiving number.

    `calls`: the service can make voice calls. `newcomers`: keys of contacts never told what is asked of them.
    A drill introduces nobody: it would be taken for part of the exercise. `telling`: the party goes in with the same
    word, and these are the keys of the contacts who get the plan at once; empty where the start comes later.
    `said_at`: when it was said, where it reached us later. What was still to come then may have passed by now, and
    the plan is taken all the same: refused, nobody would miss those who went in by it.
    """

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
class Start:
    """Run the clock. `count` is how many go in, where that differs from the plan.

    `said_at`: when it was said, where it reached us later. The clock runs from then: those who went in then are out
    then, and an alarm by our own delay would come too late. `run_time`: how long they mean to be in, where they said
    so; a longer one than the plan's is not taken.
    """

    by: Actor
    count: int | None = None
    position: Position | None = None
    said_at: datetime | None = None
    accuracy_m: float | None = None
    run_time: timedelta | None = None


@dataclass(frozen=True, slots=True)
class Finish:
    """The party is out. `with_code`: the finish code was given. `of`: the party's size, where they said it too."""

    by: Actor
    count: int | None = None
    with_code: bool = False
    of: int | None = None


@dataclass(frozen=True, slots=True)
class ReportSafe:
    """A contact or an admin knows that `count` divers are safe, out of so many (`of`), where they said it."""

    by: Actor
    count: int | None = None
    reason: str | None = None
    of: int | None = None


@dataclass(frozen=True, slots=True)
class CallOff:
    """Nobody goes in."""

    by: Actor


@dataclass(frozen=True, slots=True)
class EndDrill:
    """The exercise is over, wherever it stands: nobody is in the water. `real_alarm`: a real one takes its place."""

    by: Actor
    real_alarm: bool = False


@dataclass(frozen=True, slots=True)
class Extend:
    """Be later: by minutes, or until a local time "HH:MM"."""

    by: Actor
    minutes: int | None = None
    until: str | None = None


@dataclass(frozen=True, slots=True)
class RaiseNow:
    """Raise the alarm. `worry`: the words were no command but told of trouble."""

    by: Actor
    note: str | None = None
    worry: bool = False


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """A contact has the alarm."""

    by: Actor


@dataclass(frozen=True, slots=True)
class ReportCalled:
    """Rescue has been called."""

    by: Actor
    reference: str | None = None


@dataclass(frozen=True, slots=True)
class TakeBackCalled:
    """Rescue was not called after all. `own`: they say it of themselves, which is no word about anybody else's call.

    `whose`: the key of the one whose word falls, where it was chosen.
    """

    by: Actor
    own: bool = False
    whose: str | None = None


@dataclass(frozen=True, slots=True)
class ReportFix:
    """Where the party is, or was at `fix_at`. `source` says how it is known, where `by` does not tell."""

    by: Actor
    position: Position
    accuracy_m: float | None = None
    fix_at: datetime | None = None
    source: Source | None = None


@dataclass(frozen=True, slots=True)
class ReportConditions:
    """What the water and the wind do."""

    by: Actor
    current: Current | None = None
    wind: Wind | None = None


@dataclass(frozen=True, slots=True)
class ReportOnScene:
    """A contact is at the site."""

    by: Actor


@dataclass(frozen=True, slots=True)
class Hear:
    """Keep a text that is none of the forms. `trouble`: what is wrong with the position that it nearly is.

    `answer`: whether its sender is told; a machine that answers each of our texts must not be answered for ever.
    `asked_which`: it may be about another dive, so it did nothing and they are asked. `overtaken`: it was understood,
    and counts no more by what was said or happened after it: "not_called", or "news" of any other kind.
    """

    by: Actor
    words: str
    near: str | None = None
    trouble: str | None = None
    answer: bool = True
    asked_which: bool = False
    overtaken: str | None = None


@dataclass(frozen=True, slots=True)
class AddNote:
    """Keep what somebody of the club knows, for whoever reads the alarm page or the pack. It tells nobody."""

    by: Actor
    words: str


@dataclass(frozen=True, slots=True)
class NoteHanded:
    """A gateway took the message of `step` to `person`. Of a call or an e-mail that proves nothing."""

    step: str
    person: str
    channel: Channel = Channel.TEXT


@dataclass(frozen=True, slots=True)
class NoteUnreachable:
    """This way to `person` fails: `reason` is refused, opted_out, declined, no_receipt or no_answer.

    `said`: they have told us so just now, so it is their last word.
    """

    person: str
    reason: str
    channel: Channel = Channel.TEXT
    said: bool = False


@dataclass(frozen=True, slots=True)
class NoteReachable:
    """The message of `step` got through to `person` by this way; without a step they wrote to us, or want texts again.

    A call got through when a key was pressed in it. `has_alarm`: what got through is the alarm itself. `agreed`: they
    said that they will be a contact, which is all that undoes their saying that they will not.
    """

    person: str
    has_alarm: bool = False
    channel: Channel = Channel.TEXT
    step: str | None = None
    agreed: bool = False


@dataclass(frozen=True, slots=True)
class NoteToldMeanwhile:
    """A keeper took this step at `told_at`, while the database was gone; `to` are those whom its messages reached."""

    step: Step
    to: tuple[str, ...]
    due_at: datetime
    told_at: datetime


@dataclass(frozen=True, slots=True)
class NoteRaisedMeanwhile:
    """A keeper raised the alarm upon this call for help at `told_at`, while the database was gone; `to` were reached.

    A dive that was over before that is open again by it, however late this comes: whoever was told goes on by it.
    """

    call: RaiseNow
    to: tuple[str, ...]
    told_at: datetime


@dataclass(frozen=True, slots=True)
class Hold:
    """Ask the party before any contact is alerted: what we know is a copy of `copied_at`, and they may be out since."""

    by: Actor
    copied_at: datetime
    ask_at: datetime
    until_at: datetime


@dataclass(frozen=True, slots=True)
class EndHold:
    """Do not wait for the party's answer any longer."""

    by: Actor


@dataclass(frozen=True, slots=True)
class Tick:
    """Do what is due."""


Command = (
    FilePlan
    | Start
    | Finish
    | ReportSafe
    | CallOff
    | EndDrill
    | Extend
    | RaiseNow
    | Acknowledge
    | ReportCalled
    | TakeBackCalled
    | ReportFix
    | ReportConditions
    | ReportOnScene
    | Hear
    | AddNote
    | NoteHanded
    | NoteUnreachable
    | NoteReachable
    | NoteToldMeanwhile
    | NoteRaisedMeanwhile
    | Hold
    | EndHold
    | Tick
)


@dataclass(frozen=True, slots=True)
class Refusal:
    """Nothing changes. `code` is constant for programs; `said` is for the person who asked, in their language."""

    code: str
    said: Words
    at: datetime

    @property
    def words(self) -> str:
        """What is said, in English."""
        return render(self.said)
