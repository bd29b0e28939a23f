"""What a press on a page does when the page is older than the dive, or when the press itself comes twice.

A form carries the version of the dive that its page shows. Where the answer was lost, or the page is gone back to or
loaded again, the same form is sent: the same deed by the same person from the same page is one deed. Where the dive
ended or was opened again after it, only a person knows whether it is meant anew: they are shown what has happened, and
asked. So is who would make an alarm come later, or end it, by a page on which that looked otherwise.

Nothing else is refused for the age of a page: an alarm on an open dive is always raised, who is out is out, and who has
the alarm has it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import Enum
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive import Command, Dive, Event, Phase
from service.domain.dive import commands as do
from service.domain.dive import events as ev
from service.domain.grace import Step
from service.domain.people import CLOCK, Actor, Via
from service.operations.pages import TimelineEntry, timeline
from service.operations.recording import Applied, apply_to
from service.operations.service import Service
from service.store import dives, log
from service.store.codec import UnreadableError

NO_PAGE_OF_OURS: Final = 0
"""The version where a form gave none that can be: nothing is known of what its page showed."""

_MOVE_DUE_OUT: Final = (ev.Started, ev.ExtensionAsked, ev.ExtensionTookEffect)
_MAKE_SAFE_DOUBTFUL: Final = (ev.Started, ev.StartSaid, ev.AlarmRaised, ev.PartlyOut)


@dataclass(frozen=True, slots=True)
class Moved:
    """Nothing was done: so many events have come since the page was made, `since` in words."""

    since: tuple[TimelineEntry, ...]


@dataclass(frozen=True, slots=True)
class DoneBefore:
    """Nothing was done, since the same was done already from the same page: the button was pressed twice."""


class Repeat(Enum):
    """Whether a deed was done already."""

    NEW = "new"
    DONE = "done"
    OVERTAKEN = "overtaken"  # done, and then the dive ended, or was opened again


def events_since(session: Session, dive: Dive, seen_version: int) -> Sequence[Event] | None:
    """What happened after that version, which is how many events had made the dive; None where it cannot be read."""
    try:
        found = log.events(session, dive.id)
    except UnreadableError:
        return None
    return [event for _, event in found[max(seen_version, 0) :]]


def repeat_of(since: Sequence[Event], command: Command) -> Repeat:
    """Whether the same person did the very same in these events, and whether it still stands."""
    places = [place for place, event in enumerate(since, start=1) if _is_of(event, command)]
    if not places:
        return Repeat.NEW
    return Repeat.OVERTAKEN if any(_turns(event, command) for event in since[places[-1] :]) else Repeat.DONE


def act_on_page(
    service: Service, dive_id: str, command: Command, seen_version: int
) -> Applied | Moved | DoneBefore | None:
    """Do what somebody with a link pressed, once, unless the page that shows `seen_version` misled them.

    None where there is no such dive. Raises UnreadableDive.
    """
    now = service.clock.now()

    def work(session: Session) -> Applied | Moved | DoneBefore | None:
        dive = dives.lock(session, dive_id)
        if dive is None:
            return None
        return _kept_from(session, dive, command, seen_version, now) or apply_to(service, session, dive, command, now)

    done = service.write(work)
    if isinstance(done, Applied) and done.events:
        service.nudge()
    if isinstance(done, Moved) and seen_version > NO_PAGE_OF_OURS:
        return Moved(timeline(service, dive_id)[seen_version:])
    return done


def _kept_from(
    session: Session, dive: Dive, command: Command, seen_version: int, now: datetime
) -> Moved | DoneBefore | None:
    if _is_asked_already(dive, command, now) or _is_said_already(session, dive, command):
        return DoneBefore()
    if dive.version == seen_version:
        return None
    known = NO_PAGE_OF_OURS < seen_version < dive.version
    since = events_since(session, dive, seen_version if known else NO_PAGE_OF_OURS)
    if since is None:
        # What cannot be read must keep nobody from raising an alarm, and must not make one come later.
        return Moved(()) if isinstance(command, do.Extend | do.ReportSafe) else None
    repeat = repeat_of(since, command) if known else Repeat.NEW
    if repeat is Repeat.DONE:
        return DoneBefore()
    return Moved(()) if repeat is Repeat.OVERTAKEN or _misled(dive, command, since) else None


def _misled(dive: Dive, command: Command, since: Sequence[Event]) -> bool:
    """Whether what came since may be why somebody would not press this any more."""
    match command:
        case do.RaiseNow():
            return dive.phase is Phase.CLOSED and any(isinstance(event, ev.Closed) for event in since)
        case do.Extend():  # once the alarm is up it is only passed on
            return dive.live and not dive.alarmed and any(isinstance(event, _MOVE_DUE_OUT) for event in since)
        case do.TakeBackCalled():  # of who has said so themselves only their own word falls
            own = any(call.by.own_key == command.by.own_key for call in dive.rescue_calls)
            return not own and any(isinstance(event, ev.RescueCalled) for event in since)
        case do.ReportSafe():
            return dive.phase is not Phase.CLOSED and any(isinstance(event, _MAKE_SAFE_DOUBTFUL) for event in since)
        case _:
            return False


def _is_asked_already(dive: Dive, command: Command, now: datetime) -> bool:
    """Whether that later due out waits for its contact already: asked again, it would only be told twice.

    Once its sender has heard that nobody could be told, it may be tried anew.
    """
    waiting = dive.extension
    if not isinstance(command, do.Extend) or command.minutes is None or waiting is None or waiting.answered:
        return False
    if dive.alarmed or dive.due_out_at is None or dive.raise_by_at is None or dive.raise_by_at <= now:
        return False
    return waiting.due_out_at == dive.due_out_at + timedelta(minutes=command.minutes)


def _is_said_already(session: Session, dive: Dive, command: Command) -> bool:
    """Whether they have said of this very alarm that they called rescue: from whichever page, it is no news."""
    if not isinstance(command, do.ReportCalled) or dive.called_at is None:
        return False
    said = events_since(session, dive, NO_PAGE_OF_OURS) or ()
    places = [place for place, event in enumerate(said, start=1) if _is_of(event, command)]
    ends = (ev.AlarmRaised, ev.Closed, ev.CalledTakenBack)
    return bool(places) and not any(isinstance(event, ends) for event in said[places[-1] :])


def _turns(event: Event, command: Command) -> bool:
    """Whether that deed means something else after this event. Being late is passed on to contacts in an alarm."""
    if isinstance(event, ev.AlarmRaised):
        return event.reopened or isinstance(command, do.Extend)
    if isinstance(event, ev.CalledTakenBack):
        return isinstance(command, do.ReportCalled)
    if isinstance(event, ev.RescueCalled):
        return isinstance(command, do.TakeBackCalled)
    if isinstance(event, ev.StepTaken) and isinstance(command, do.Extend):
        return event.step in (Step.ALERT, Step.DISTRESS)
    return isinstance(event, ev.Closed)


def _is_of(event: Event, command: Command) -> bool:
    """Whether this event is what that command, by the same person and by the same way, led to."""
    match command, event:
        case do.RaiseNow(note=note), ev.AlarmRaised(note=said):
            same = note == said
        case do.AddNote(words=words), ev.NoteAdded(words=said):
            same = words == said
        case do.ReportCalled(reference=reference), ev.RescueCalled(reference=said):
            same = reference == said
        case do.ReportConditions(current=current, wind=wind), ev.ConditionsReported():
            same = (current, wind) == (event.current, event.wind)
        case do.ReportFix(position=position, fix_at=fix_at), ev.FixReported():
            same = position == event.position and fix_at in (None, event.fix_at)
        case (
            (do.Extend(), ev.ExtensionAsked() | ev.LatePassedOn())
            | (do.Finish() | do.ReportSafe(), ev.Closed() | ev.PartlyOut())
            | (do.CallOff(), ev.Closed())
            | (do.Acknowledge(), ev.Acknowledged())
            | (do.ReportOnScene(), ev.OnScene())
            | (do.TakeBackCalled(), ev.CalledTakenBack())
        ):
            same = True
        case _:
            return False
    return same and _press(event) == _press(command)


def _press(one: Event | Command) -> tuple[str | None, Via, str]:
    """Who, by which way, and the words: the button and what was written beside it."""
    by: Actor = getattr(one, "by", CLOCK)
    return by.key, by.via, by.words
