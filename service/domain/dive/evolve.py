"""How each event changes a dive. Total: every event has exactly one function here."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import fields, replace
from datetime import datetime
from operator import attrgetter
from typing import Any

from service.domain.dive import events as ev
from service.domain.dive.calling_rescue import after_call, after_taking_back
from service.domain.dive.raisings import raisings_after
from service.domain.dive.state import (
    ALARMED,
    RANK,
    Declined,
    Dive,
    Extension,
    LastHeard,
    Phase,
    Told,
    Waiting,
    WayLost,
)
from service.domain.dive.ways import DECLINED, alarm_calls
from service.domain.grace import PARTY_STEPS, Step
from service.domain.people import Actor, Channel, Role, Via
from service.domain.place.conditions import Seen, reported
from service.domain.place.fix import Fix, kept

_CONTACT_STEPS = (Step.ALERT, Step.NEXT_CONTACT, Step.DISTRESS, Step.DISTRESS_AGAIN)


def evolve(dive: Dive | None, event: ev.Event) -> Dive:
    """The dive after `event`. Raises ValueError for a first event that is not Filed, or a second that is."""
    if isinstance(event, ev.Filed):
        if dive is not None:
            raise ValueError("a dive is filed once")
        return _filed(event)
    if dive is None:
        raise ValueError("the first event of a dive is Filed")
    last = _last[0]
    if last is not None and last[0] is dive and last[1] is event:
        return last[2]
    after = _evolved(dive, event)
    _last[0] = (dive, event, after)
    return after


# Whoever decides asks for it, and whoever records that asks again: the same objects, which never change.
_last: list[tuple[Dive, ev.Event, Dive] | None] = [None]


def _evolved(dive: Dive, event: ev.Event) -> Dive:
    after = _CHANGES[type(event)](dive, event)
    if after is dive:
        after = _but(dive, version=dive.version + 1)
    else:
        # It was made just now and nobody else has it: to make it once more for one field would cost as much again.
        object.__setattr__(after, "version", dive.version + 1)
    called = tuple(key for key in alarm_calls(after, event) if key not in after.rung)
    return _but(after, rung=after.rung + called) if called else after


_FIELDS = tuple(field.name for field in fields(Dive))
_PLACES = {name: place for place, name in enumerate(_FIELDS)}
_values_of = attrgetter(*_FIELDS)


def _but(dive: Dive, **changes: Any) -> Dive:
    """As dataclasses.replace, in half the time: each event of each dive passes here several times."""
    values = list(_values_of(dive))
    for name, value in changes.items():
        values[_PLACES[name]] = value
    return Dive(*values)


def _filed(event: ev.Filed) -> Dive:
    return Dive(
        id=event.dive_id,
        club_id=event.club_id,
        club_name=event.club_name,
        reference=event.reference,
        start_code=event.start_code,
        finish_code=event.finish_code,
        plan=event.plan,
        grace=event.grace,
        drill=event.drill,
        calls=event.calls,
        filed_at=event.at,
        head_count=len(event.plan.party),
        said_at=event.said_at,
    )


def _risen(dive: Dive, phase: Phase) -> Phase:
    return phase if RANK[phase] > RANK[dive.phase] else dive.phase


def _heard(dive: Dive, by: Actor, at: datetime, words: str | None = None) -> LastHeard | None:
    """The party's own words are what rescuers ask for; what reached us late replaces nothing said after it."""
    last, said_at = dive.last_heard, at if by.said_at is None else min(by.said_at, at)
    if by.role is not Role.DIVER or (last is not None and said_at < at and said_at < last.at):
        return last
    way = "" if by.via is Via.TEXT else f" ({by.via})"
    return LastHeard(at=said_at, name=by.name, words=(words or by.words or "a message") + way)


def _started(dive: Dive, event: ev.Started) -> Dive:
    return _but(
        dive,
        phase=_risen(dive, Phase.IN_WATER),
        started_at=event.started_at,
        started_by=event.by,
        assumed=event.assumed,
        due_out_at=event.due_out_at,
        first_due_out_at=event.due_out_at,
        head_count=event.head_count,
        steps=dive.steps + event.passed_over,
        arming_since=None if Role.CONTACT in event.quiet else event.at,
        waiting=None,
        last_heard=_heard(dive, event.by, event.at),
    )


def _start_said(dive: Dive, event: ev.StartSaid) -> Dive:
    return replace(
        dive,
        start_said=dive.assumed,
        head_count=event.head_count or dive.head_count,
        last_heard=_heard(dive, event.by, event.at),
    )


def _armed(dive: Dive, event: ev.Armed) -> Dive:
    return _but(dive, armed_at=event.at)


def _not_armed(dive: Dive, _: ev.NotArmed) -> Dive:
    return _but(dive, not_armed_said=True)


_PHASE_OF = {
    Step.DUE_OUT: Phase.UNCERTAINTY,
    Step.SECOND_CALL: Phase.UNCERTAINTY,
    Step.ALERT: Phase.ALERT,
    Step.DISTRESS: Phase.DISTRESS,
    Step.DISTRESS_AGAIN: Phase.DISTRESS,
}


def _step_taken(dive: Dive, event: ev.StepTaken) -> Dive:
    taken = tuple(step for step in (*event.passed_over, event.step) if step not in dive.steps)
    phase = dive.phase
    for step in taken:
        reached = _PHASE_OF.get(step, phase)
        phase = reached if RANK[reached] > RANK[phase] else phase
    changes: dict[str, Any] = {"steps": dive.steps + taken, "phase": phase}
    if phase in ALARMED and dive.alarm_at is None:
        changes |= {"alarm_at": event.due_at, "extension": None}
    if event.step in _CONTACT_STEPS:
        known = dive.alerted_keys()
        changes["alerted"] = dive.alerted + tuple(Told(key, event.at) for key in event.to if key not in known)
    if event.step in (Step.DISTRESS, Step.DISTRESS_AGAIN):
        changes |= {"distress_at": event.at, "distress_count": dive.distress_count + 1}
    return _but(dive, **changes)


def _extension_asked(dive: Dive, event: ev.ExtensionAsked) -> Dive:
    return _but(
        dive,
        extension=Extension(event.number, event.due_out_at, event.at),
        extensions_asked=event.number,
        last_heard=_heard(dive, event.by, event.at),
    )


def _extension_took_effect(dive: Dive, event: ev.ExtensionTookEffect) -> Dive:
    """The reminders start anew, but for a heads-up that would only repeat the answer to the late text."""
    heads_up_at = event.due_out_at - dive.grace.heads_up_before
    done = tuple(step for step in dive.steps if step not in PARTY_STEPS)
    done += (Step.HEADS_UP,) if heads_up_at <= event.at else ()
    return _but(dive, due_out_at=event.due_out_at, extension=None, steps=done)


def _extension_not_in_force(dive: Dive, _: ev.ExtensionNotInForce) -> Dive:
    return _but(dive, extension=None if dive.extension is None else replace(dive.extension, answered=True))


def _late_passed_on(dive: Dive, event: ev.LatePassedOn) -> Dive:
    return _but(dive, last_heard=_heard(dive, event.by, event.at))


def _partly_out(dive: Dive, event: ev.PartlyOut) -> Dive:
    return _but(dive, partly_out=event.count, last_heard=_heard(dive, event.by, event.at))


def _alarm_raised(dive: Dive, event: ev.AlarmRaised) -> Dive:
    base = _reopened(dive) if event.reopened else dive
    fresh, told_at = base.phase not in ALARMED, event.told_at or event.at
    told = tuple(contact.key for contact in base.contacts) if event.told_at is None else event.told
    new = tuple(Told(key, told_at) for key in told if key not in base.alerted_keys())
    over = tuple(step for step in (*PARTY_STEPS, Step.ALERT) if step not in base.steps)
    # A bare SOS on top of what somebody has seen must not take the place of their words.
    keeps = event.again and base.raised_by is not None and event.note is None
    return replace(
        base,
        phase=_risen(base, Phase.ALERT),
        alarm_at=told_at if fresh else base.alarm_at,
        raised_by=base.raised_by if keeps else event.by,
        raised_note=base.raised_note if keeps else event.note,
        raisings=raisings_after(base, event),
        raises=base.raises + 1,
        waiting=None,
        alerted=base.alerted + new,
        steps=base.steps + over,
        extension=None,
        last_heard=_heard(base, event.by, event.at),
    )


def _reopened(dive: Dive) -> Dive:
    """What was answered in the first alarm does not hold for the second."""
    kept = tuple(step for step in dive.steps if step not in (Step.DISTRESS, Step.HAND_UP))
    return _but(
        dive,
        phase=Phase.FILED,
        steps=kept,
        alerted=(),
        acknowledged=(),
        on_scene=(),
        called_at=None,
        called_by=None,
        called_reference=None,
        called_by_several=(),
        taken_back=(),
        partly_out=None,
        raisings=(),
        rung=(),
        alarm_at=None,
        closed_at=None,
        closed_by=None,
        outcome=None,
        closed_count=None,
    )


def _acknowledged(dive: Dive, event: ev.Acknowledged) -> Dive:
    """Who had declined and now acts gets what whoever acts needs."""
    acting = event.by.own_key
    after = _no_longer_declined(dive, acting)
    return _but(after, acknowledged=(*after.acknowledged, Told(acting, event.at)))


def _rescue_called(dive: Dive, event: ev.RescueCalled) -> Dive:
    return _but(dive, phase=_risen(dive, Phase.DISTRESS), **after_call(dive, event))


def _called_taken_back(dive: Dive, event: ev.CalledTakenBack) -> Dive:
    return _but(dive, **after_taking_back(dive, event))


def _fix_reported(dive: Dive, event: ev.FixReported) -> Dive:
    fix = Fix(event.position, event.fix_at, event.by.name, event.source, event.accuracy_m, event.doubt)
    # An alert has the position already; there the figures of a page's button would only take the room of a name.
    words = "a position" if event.by.via is Via.PAGE else None
    return _but(dive, fixes=kept((*dive.fixes, fix)), last_heard=_heard(dive, event.by, event.at, words))


def _conditions_reported(dive: Dive, event: ev.ConditionsReported) -> Dive:
    """What is not said now stays as it was said before."""
    seen = reported(dive.conditions, Seen(event.at, event.by.name), event.current, event.wind, apart=event.apart)
    said = [name for name, one in (("current", event.current), ("wind", event.wind)) if one or not event.apart]
    return _but(dive, conditions=seen, last_heard=_heard(dive, event.by, event.at, " and ".join(said)))


def _on_scene(dive: Dive, event: ev.OnScene) -> Dive:
    return _but(dive, on_scene=(*dive.on_scene, Told(event.by.own_key, event.at)))


def _words_heard(dive: Dive, event: ev.Heard) -> Dive:
    heard = _heard(dive, event.by, event.at, event.words)
    if heard is None or heard is dive.last_heard:
        return _but(dive)
    return _but(dive, last_heard=replace(heard, asked_which=event.asked_which))


def _noted(dive: Dive, _: ev.NoteAdded) -> Dive:
    """It is in the log, where the pages and the pack read it; a dive that carried its notes would grow with each."""
    return dive


def _unreachable(dive: Dive, event: ev.PersonUnreachable) -> Dive:
    if event.reason == DECLINED and dive.declined_by(event.person) is None:
        dive = _but(dive, declined=(*dive.declined, Declined(event.person, told=dive.contacts_told)))
    if event.gives_up:
        dive = _but(dive, acknowledged=tuple(told for told in dive.acknowledged if told.key != event.person))
    if dive.person(event.person) is None:
        return dive  # an admin
    if _is_first_way(dive, event.person, event.channel):
        others = tuple(key for key in dive.unreachable if key != event.person)
        return _but(dive, unreachable=(*others, event.person))
    return _but(dive, lost=(*dive.lost, WayLost(event.person, event.channel)))


def _reachable(dive: Dive, event: ev.PersonReachable) -> Dive:
    dive = _no_longer_declined(dive, event.person)
    if _is_first_way(dive, event.person, event.channel):
        return _but(dive, unreachable=tuple(key for key in dive.unreachable if key != event.person))
    back = WayLost(event.person, event.channel)
    return _but(dive, lost=tuple(way for way in dive.lost if way != back))


def _no_longer_declined(dive: Dive, key: str) -> Dive:
    return _but(dive, declined=tuple(one for one in dive.declined if one.key != key))


def _is_first_way(dive: Dive, key: str, channel: Channel) -> bool:
    """Whether this is the way that counts; of somebody whom the plan does not name that is a text."""
    person = dive.person(key)
    return channel is (Channel.TEXT if person is None else dive.first_way(person))


def _told_meanwhile(dive: Dive, event: ev.ToldMeanwhile) -> Dive:
    """As the step itself; whom it did not reach has their turn yet. What is not of the contacts changes no phase."""
    over = () if event.step is Step.ALERT or event.step not in _CONTACT_STEPS else (Step.ALERT,)
    step = ev.StepTaken(event.told_at, event.step, event.due_at, event.to, passed_over=over)
    return _step_taken(dive, step)


def _held(dive: Dive, event: ev.Held) -> Dive:
    waiting = Waiting(event.copied_at, event.ask_at, event.until_at)
    return replace(dive, waiting=waiting, steps=tuple(step for step in dive.steps if step is not Step.ASK_OUT))


def _hold_ended(dive: Dive, _: ev.HoldEnded) -> Dive:
    return replace(dive, waiting=None)


def _closed(dive: Dive, event: ev.Closed) -> Dive:
    return _but(
        dive,
        phase=Phase.CLOSED,
        closed_at=event.at,
        closed_by=event.by,
        outcome=event.outcome,
        closed_count=event.count,
        closings=dive.closings + 1,
        extension=None,
        waiting=None,
        last_heard=_heard(dive, event.by, event.at),
    )


_CHANGES: dict[type, Callable[[Dive, Any], Dive]] = {
    ev.Started: _started,
    ev.StartSaid: _start_said,
    ev.Armed: _armed,
    ev.NotArmed: _not_armed,
    ev.StepTaken: _step_taken,
    ev.ExtensionAsked: _extension_asked,
    ev.ExtensionTookEffect: _extension_took_effect,
    ev.ExtensionNotInForce: _extension_not_in_force,
    ev.LatePassedOn: _late_passed_on,
    ev.PartlyOut: _partly_out,
    ev.AlarmRaised: _alarm_raised,
    ev.Acknowledged: _acknowledged,
    ev.RescueCalled: _rescue_called,
    ev.CalledTakenBack: _called_taken_back,
    ev.FixReported: _fix_reported,
    ev.ConditionsReported: _conditions_reported,
    ev.OnScene: _on_scene,
    ev.Heard: _words_heard,
    ev.NoteAdded: _noted,
    ev.PersonUnreachable: _unreachable,
    ev.PersonReachable: _reachable,
    ev.ToldMeanwhile: _told_meanwhile,
    ev.Held: _held,
    ev.HoldEnded: _hold_ended,
    ev.Closed: _closed,
}
