"""What happens when something is asked of a dive: events, or one refusal with words for the person who asked."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

from service.domain.dive import commands as do
from service.domain.dive import refusals as no
from service.domain.dive.calling_rescue import report_called, take_back_called
from service.domain.dive.commands import Command, Refusal
from service.domain.dive.events import (
    Acknowledged,
    AlarmRaised,
    Armed,
    Event,
    ExtensionTookEffect,
    Filed,
    Heard,
    Held,
    HoldEnded,
    NoteAdded,
    PersonReachable,
    PersonUnreachable,
    Started,
    StartSaid,
    StepTaken,
    ToldMeanwhile,
)
from service.domain.dive.evolve import evolve
from service.domain.dive.extending import extend
from service.domain.dive.finishing import call_off, end_drill, finish, report_safe
from service.domain.dive.placing import first_fix, report_conditions, report_fix, report_on_scene
from service.domain.dive.state import EARLIEST_IN, Dive, Phase
from service.domain.dive.ticking import assumed_meanwhile, tick
from service.domain.dive.ways import DECLINED, REFUSED_BY_PERSON
from service.domain.grace import Step
from service.domain.people import Actor, Channel, Role, Via
from service.domain.plan import PARTY_MAX, RUN_TIME_MIN, check_plan, refusals

Decision = tuple[Event, ...] | Refusal
START_NOTICE = "start_notice"
NOTED_FOR = timedelta(days=1)  # after the end


def decide(dive: Dive | None, command: Command, now: datetime) -> Decision:
    """Events, or a refusal. Total and deterministic; raises ValueError only for a command to no dive."""
    if isinstance(command, do.FilePlan):
        return _file(dive, command, now)
    if dive is None:
        raise ValueError("there is no dive to ask this of")
    if isinstance(command, do.Tick):
        return tick(dive, now)
    return _ANSWERS[type(command)](dive, command, now)


def _file(dive: Dive | None, command: do.FilePlan, now: datetime) -> Decision:
    if dive is not None:
        return no.already_filed(dive, now)
    wrong = refusals(check_plan(command.plan, command.said_at or now, drill=command.drill))
    if wrong:
        return Refusal(code=f"plan_{wrong[0].field}", said=wrong[0].words, at=now)
    filed = Filed(
        at=now,
        by=command.by,
        dive_id=command.dive_id,
        club_id=command.club_id,
        club_name=command.club_name,
        reference=command.reference,
        start_code=command.start_code,
        finish_code=command.finish_code,
        plan=command.plan,
        grace=command.grace,
        drill=command.drill,
        calls=command.calls,
        newcomers=() if command.drill else command.newcomers,
        telling=command.telling,
        said_at=command.said_at if command.said_at is not None and command.said_at < now else None,
    )
    return (filed,)


def _start(dive: Dive, command: do.Start, now: datetime) -> Decision:
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if dive.started_at is not None:
        return _start_again(dive, command, now)
    if dive.phase is not Phase.FILED:
        return no.alarm_is_up(dive, now)
    if command.count is not None and not 1 <= command.count <= PARTY_MAX:
        return no.head_count_out_of_range(now)
    # Never before the plan, which must have been there to be started, and never ahead of us.
    began_at = now if command.said_at is None else min(max(command.said_at, dive.said_at or dive.filed_at), now)
    started = Started(
        at=now,
        by=command.by,
        started_at=began_at,
        due_out_at=began_at + _run_time(dive, command),
        head_count=command.count or dive.head_count,
    )
    return (started, *_first_fix(dive, command, began_at, now))


def _run_time(dive: Dive, command: do.Start) -> timedelta:
    """The plan's, or a shorter one: an alarm comes too early rather than too late.

    The start notice has the times by it. More is asked for by LATE, which says so to whoever holds the plan's.
    """
    if command.run_time is None:
        return dive.plan.run_time
    return min(dive.plan.run_time, max(command.run_time, RUN_TIME_MIN))


def _start_again(dive: Dive, command: do.Start, now: datetime) -> Decision:
    """The clock runs, by an assumption or by their word. More heads than we know of are taken, fewer never."""
    more = command.count if command.count is not None and command.count > dive.head_count else None
    if more is not None and more > PARTY_MAX:
        return no.head_count_out_of_range(now)
    if more is None and (not dive.assumed or dive.start_said):
        return no.already_started(dive, command.count, now)
    return (StartSaid(at=now, by=command.by, head_count=more), *_first_fix(dive, command, now, now))


def _first_fix(dive: Dive, command: do.Start, began_at: datetime, now: datetime) -> tuple[Event, ...]:
    if command.position is None:
        return ()
    return (first_fix(dive, command.by, command.position, command.accuracy_m, began_at, now),)


def _raise_now(dive: Dive, command: do.RaiseNow, now: datetime) -> Decision:
    said_at = now if command.by.said_at is None else min(command.by.said_at, now)
    if dive.phase is Phase.CLOSED and not dive.can_reopen(said_at):
        return no.closed_too_long(dive, now)
    return (_raised(dive, command, now),)


def _raised(dive: Dive, call: do.RaiseNow, now: datetime) -> AlarmRaised:
    reopened = dive.phase is Phase.CLOSED
    return AlarmRaised(now, call.by, call.note, worry=call.worry, reopened=reopened, again=dive.alarmed)


def _acknowledge(dive: Dive, command: do.Acknowledge, now: datetime) -> Decision:
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    if command.by.is_outsider:
        return no.not_of_this_dive(dive, now)
    if command.by.role is Role.DIVER:
        return no.diver_cannot_acknowledge(dive, now)
    if not dive.alarmed:
        return no.nothing_to_acknowledge(dive, now)
    if any(told.key == command.by.own_key for told in dive.acknowledged):
        return no.acknowledged_already(dive, now)
    unknown = _does_not_know(dive, command.by, now)
    return _told_now(dive, command.by, now) if unknown else (Acknowledged(at=now, by=command.by),)


def _does_not_know(dive: Dive, by: Actor, now: datetime) -> bool:
    """Whether a contact's text answers something else than the alarm, such as the start notice.

    A page shows the alarm, and a called rescue is told to all. Who has declined is sent none: by writing they act.
    """
    if by.role is not Role.CONTACT or by.via is not Via.TEXT or dive.called_at is not None:
        return False
    if dive.declined_by(by.own_key) is not None:
        return False
    # A text that a carrier doubles answers no alarm that its first copy brought; the first of all is told by the clock.
    told = next((told for told in dive.alerted if told.key == by.own_key), None)
    return told is None or dive.alerted[0].at < told.at == now


def _told_now(dive: Dive, by: Actor, now: datetime) -> tuple[StepTaken, ...]:
    """The alarm itself, so that the next OK answers it; nothing more where it goes to them in this very instant."""
    if by.own_key in dive.alerted_keys():
        return ()
    return (StepTaken(at=now, step=Step.NEXT_CONTACT, due_at=now, to=(by.own_key,), number=len(dive.alerted) + 1),)


def _hear(dive: Dive, command: do.Hear, now: datetime) -> Decision:
    if dive.phase is Phase.CLOSED:
        return no.closed(dive, now)
    heard = Heard(
        at=now,
        by=command.by,
        words=command.words,
        near=command.near,
        trouble=command.trouble,
        answered=command.answer,
        asked_which=command.asked_which,
        overtaken=command.overtaken,
    )
    return (heard,)


def _add_note(dive: Dive, command: do.AddNote, now: datetime) -> Decision:
    """Also for a day after the end, as long as a link to the dive opens: what came of it belongs to it."""
    if command.by.role is not Role.ADMIN:
        return no.not_of_this_dive(dive, now)
    if dive.closed_at is not None and now - dive.closed_at > NOTED_FOR:
        return no.noted_too_late(now)
    return (NoteAdded(at=now, by=command.by, words=command.words),)


def _note_handed(dive: Dive, command: do.NoteHanded, now: datetime) -> Decision:
    """A text that a gateway took will be read; a call it took may ring out, and an e-mail wait for days."""
    return _what_is_held(dive, command.step, command.person, now) if command.channel is Channel.TEXT else ()


def _what_is_held(dive: Dive, step: str, person: str, now: datetime) -> tuple[Event, ...]:
    """Only the start notice of a contact ashore arms, and only their notice of it puts an extension in force."""
    if not dive.live or dive.started_at is None or all(person != contact.key for contact in dive.contacts):
        return ()
    if person in dive.diving_contacts or dive.declined_by(person) is not None:
        return ()
    if step == START_NOTICE and dive.armed_at is None:
        return (Armed(at=now, contact=person),)
    waiting = dive.extension
    in_time = dive.alarm_due_at is not None and now < dive.alarm_due_at
    if waiting is not None and step == waiting.step and in_time and not dive.alarmed:
        return (ExtensionTookEffect(at=now, due_out_at=waiting.due_out_at, number=waiting.number, contact=person),)
    return ()


def _note_unreachable(dive: Dive, command: do.NoteUnreachable, now: datetime) -> Decision:
    """What follows from it (the next contact, "not armed") follows at once, not at the next sweep.

    Who wants nothing from us wants no calls either, so that their first way fails, whichever that is. Had they answered
    the alarm, nobody may go on counting on that: else it would wait for somebody who hears nothing of it any more.
    """
    person = dive.person(command.person)
    if dive.phase is Phase.CLOSED:
        return ()
    if person is None:
        return _admin_gives_up(dive, command, now)
    if command.reason == DECLINED and person not in dive.contacts:
        return ()
    channel = dive.first_way(person) if command.reason in REFUSED_BY_PERSON else command.channel
    known = dive.declined_by(person.key) is not None if command.reason == DECLINED else dive.fails(person, channel)
    refuses = command.reason in REFUSED_BY_PERSON and (command.said or not known)
    gives_up = refuses and any(told.key == person.key for told in dive.acknowledged)
    if known and not gives_up:
        return ()
    event = PersonUnreachable(at=now, person=person.key, reason=command.reason, channel=channel, gives_up=gives_up)
    return (event, *tick(evolve(dive, event), now))


def _admin_gives_up(dive: Dive, command: do.NoteUnreachable, now: datetime) -> Decision:
    """Admins are the club's and not the plan's: of them only that whoever answered the alarm has it no more counts."""
    if not command.said or all(told.key != command.person for told in dive.acknowledged):
        return ()
    event = PersonUnreachable(at=now, person=command.person, reason=command.reason, gives_up=True)
    return (event, *tick(evolve(dive, event), now))


def _note_reachable(dive: Dive, command: do.NoteReachable, now: datetime) -> Decision:
    """Whoever writes can be reached, whatever their first way is; who declined is told again only once they agree."""
    person = dive.person(command.person)
    if dive.phase is Phase.CLOSED or person is None:
        return ()
    declined = dive.declined_by(person.key) is not None
    if declined and not command.agreed:
        return ()
    wrote = command.step is None and command.channel is not Channel.EMAIL
    works = dict.fromkeys([dive.first_way(person), command.channel] if wrote else [command.channel])
    back = tuple(
        PersonReachable(
            at=now,
            person=person.key,
            has_alarm=command.has_alarm,
            channel=channel,
            agreed=declined and channel is dive.first_way(person),
        )
        for channel in works
        if dive.fails(person, channel)
    )
    if command.step is None or command.channel is Channel.EMAIL:
        return back
    return (*back, *_what_is_held(dive, command.step, person.key, now))


def _note_told_meanwhile(dive: Dive, command: do.NoteToldMeanwhile, now: datetime) -> Decision:
    """What was told cannot be untold, so only what the dive knows already, or better, changes nothing.

    Of a plan with no start the keeper's clock took one for granted; so does the dive, before all else.
    """
    if dive.phase is Phase.CLOSED or not command.to or _is_known(dive, command):
        return ()
    told = ToldMeanwhile(now, command.step, command.to, command.due_at, command.told_at)
    return (*assumed_meanwhile(dive, command.to, now), told)


def _note_raised_meanwhile(dive: Dive, command: do.NoteRaisedMeanwhile, now: datetime) -> Decision:
    """What ended after that call was ended by somebody who may have known of it; an exercise is opened by nothing."""
    over = dive.phase is Phase.CLOSED
    if over and (dive.drill or dive.closed_at is None or dive.closed_at >= command.told_at):
        return ()
    if dive.alarmed and set(command.to) <= dive.alerted_keys():
        return ()
    started = assumed_meanwhile(dive, command.to, now)
    for event in started:
        dive = evolve(dive, event)
    raised = replace(_raised(dive, command.call, now), told_at=command.told_at, told=command.to)
    return (*started, raised)


def _is_known(dive: Dive, command: do.NoteToldMeanwhile) -> bool:
    if command.step is Step.HAND_UP:
        return Step.HAND_UP in dive.steps
    if command.step in (Step.DISTRESS, Step.DISTRESS_AGAIN):
        return dive.distress_at is not None and dive.distress_at >= command.told_at
    return set(command.to) <= dive.alerted_keys()


def _hold(dive: Dive, command: do.Hold, now: datetime) -> Decision:
    """An alarm that is up goes on, and one hold is not followed by another: it is held up once, by so much at most.

    A plan for later is left alone: its own question comes at its time in.
    """
    later = dive.phase is Phase.FILED and (dive.plan.time_in_at or now) > now + EARLIEST_IN
    held = dive.waiting is not None and command.copied_at <= dive.waiting.until_at  # by the same copy, or an older one
    if dive.phase is Phase.CLOSED or dive.alarmed or held or later:
        return ()
    return (Held(now, command.by, command.copied_at, command.ask_at, command.until_at),)


def _end_hold(dive: Dive, command: do.EndHold, now: datetime) -> Decision:
    """What was due meanwhile follows at once."""
    if dive.waiting is None or now >= dive.waiting.until_at:
        return ()
    ended = HoldEnded(now, command.by)
    return (ended, *tick(evolve(dive, ended), now))


_ANSWERS: dict[type, Callable[[Dive, Any, datetime], Decision]] = {
    do.Start: _start,
    do.Finish: finish,
    do.ReportSafe: report_safe,
    do.CallOff: call_off,
    do.EndDrill: end_drill,
    do.Extend: extend,
    do.RaiseNow: _raise_now,
    do.Acknowledge: _acknowledge,
    do.ReportCalled: report_called,
    do.TakeBackCalled: take_back_called,
    do.ReportFix: report_fix,
    do.ReportConditions: report_conditions,
    do.ReportOnScene: report_on_scene,
    do.Hear: _hear,
    do.AddNote: _add_note,
    do.NoteHanded: _note_handed,
    do.NoteUnreachable: _note_unreachable,
    do.NoteReachable: _note_reachable,
    do.NoteToldMeanwhile: _note_told_meanwhile,
    do.NoteRaisedMeanwhile: _note_raised_meanwhile,
    do.Hold: _hold,
    do.EndHold: _end_hold,
}
