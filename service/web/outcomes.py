"""What a button did, in words for the page that it leads to."""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime
from typing import Any

from service.domain.dive import Command, Dive, Event
from service.domain.dive import events as ev
from service.domain.dive.commands import Extend, RaiseNow
from service.domain.language import render
from service.domain.local_time import say
from service.domain.place.fix import Doubt
from service.domain.place.position import lettered
from service.domain.wording.phrases import to_rescue
from service.operations.recording import Applied
from service.web.speaking import heads, zone_name


def told(applied: Applied, now: datetime) -> str:
    """One sentence or a few: what happened, or why nothing did."""
    if applied.refusal is not None:
        return applied.refusal.words
    words = [_WORDS[type(event)](applied.dive, event, now) for event in applied.events if type(event) in _WORDS]
    return " ".join(words) if words else "Nothing changed: that was known already."


def done_before(dive: Dive, command: Command, now: datetime) -> str:
    """What stands, where the same button of the same page was pressed before."""
    twice = "That is done already. A button that is pressed twice counts once."
    match command:
        case Extend() if dive.extension is not None:
            asked = _time(dive, dive.extension.due_out_at, now)
            stands = _time(dive, dive.due_out_at, now)
            return f"{twice} You asked for {asked}; until a contact has been handed it, due out stays {stands}."
        case Extend() if dive.live and not dive.alarmed:
            return f"{twice} Due out is {_time(dive, dive.due_out_at, now)}."
        case RaiseNow():
            rescue = render(to_rescue(dive, f"Call rescue if you can: {dive.plan.site.rescue_call}."))
            return f"{twice} The alarm is up since {_time(dive, dive.alarm_at, now)}. {rescue}"
        case _:
            return twice


def _time(dive: Dive, at: datetime | None, now: datetime) -> str:
    zone = dive.plan.site.zone
    return "not known" if at is None else f"{say(at, zone, now)} ({zone_name(zone)})"


def _started(dive: Dive, event: ev.Started, now: datetime) -> str:
    return (
        f"The clock runs since {_time(dive, event.started_at, now)}: {heads(event.head_count)}, due out"
        f" {_time(dive, event.due_out_at, now)}. Your contacts are being told. Wait for the text ARMED"
        " before you go in."
    )


def _extension(dive: Dive, event: ev.ExtensionAsked, now: datetime) -> str:
    return (
        f"Asked for {_time(dive, event.due_out_at, now)}. Until a contact has been handed the new time, due out stays"
        f" {_time(dive, dive.due_out_at, now)}. You will get a text when it counts."
    )


def _partly_out(_: Dive, event: ev.PartlyOut, __: datetime) -> str:
    return f"{event.count} out, {event.missing} missing: noted. The clock goes on."


def _raised(dive: Dive, event: ev.AlarmRaised, _: datetime) -> str:
    who = ", ".join(contact.name for contact in dive.contacts if contact.key != event.by.key)
    rescue = render(to_rescue(dive, f"Call rescue if you can: {dive.plan.site.rescue_call}."))
    return f"The alarm is raised. Being told now: {who}. {rescue}"


def _acknowledged(_: Dive, __: ev.Acknowledged, ___: datetime) -> str:
    return "Noted that you have it. No further contact is woken for now. Do the steps below, and say what came of them."


def _called(_: Dive, event: ev.RescueCalled, __: datetime) -> str:
    reference = f" under {event.reference}" if event.reference else ""
    return f"Noted that rescue has been called{reference}. The others are being told. Keep your phone free."


def _called_taken_back(dive: Dive, event: ev.CalledTakenBack, now: datetime) -> str:
    if event.stands and dive.called_by is not None:
        who = f"{dive.called_by.name} said {_time(dive, dive.called_at, now)} that rescue was called"
        return f"Noted. {who}, and that stands. In doubt call rescue: {dive.plan.site.rescue_call}."
    rescue = dive.plan.site.rescue_call
    call = render(to_rescue(dive, f"Call rescue now: {rescue}. Then say here that you have."))
    return f"Noted that rescue was not called. Everybody is told so, and asked to call. {call}"


def _start_said(dive: Dive, event: ev.StartSaid, now: datetime) -> str:
    since, due = _time(dive, dive.started_at, now), _time(dive, dive.due_out_at, now)
    noted = "you went in" if event.head_count is None else f"{heads(event.head_count)} went in"
    planned = ", as planned" if dive.assumed else ""
    return f"Noted that {noted}. The clock has run since {since}{planned}: due out {due}."


def _closed(dive: Dive, event: ev.Closed, now: datetime) -> str:
    if event.outcome is ev.Outcome.CALLED_OFF:
        words = "Called off. No clock runs."
    elif event.never_started:
        words = "Closed. The clock had never been started, so no alarm would have come."
    else:
        words = (
            f"Over at {_time(dive, event.at, now)}: {heads(event.count or dive.head_count)} safe. The clock is stopped."
        )
    tell = to_rescue(dive, "Rescue had been called: tell them now that it is over.", "now tell rescue that it is over")
    rescue = f" {render(tell)}" if dive.called_at is not None else ""
    return f"{words} Everybody who was told anything is told now.{rescue}"


def _passed_on(_: Dive, __: ev.LatePassedOn, ___: datetime) -> str:
    return "The alarm is out already. Your contacts are told that you said you are late; they decide."


def _fix(dive: Dive, event: ev.FixReported, now: datetime) -> str:
    good = "" if event.accuracy_m is None else f", good to {math.ceil(event.accuracy_m)} m"
    what = f"{lettered(event.position)} at {_time(dive, event.fix_at, now)}{good}"
    if event.doubt is None:
        return f"Position noted: {what}. The clock goes on as before."
    why = "its time is in the future" if event.doubt is Doubt.FUTURE else f"it is far from {dive.plan.site.name}"
    return f"Position kept but not used: {what}: {why}. Check it and send it again."


def _noted(_: Dive, __: ev.NoteAdded, ___: datetime) -> str:
    return "Noted. Contacts and rescue read it in what happened; nobody is sent a message for it."


def _conditions(_: Dive, __: ev.ConditionsReported, ___: datetime) -> str:
    return "Noted what the water and the wind do. The pack for rescue shows it. The clock goes on as before."


def _on_scene(dive: Dive, _: ev.OnScene, __: datetime) -> str:
    meet = "Tell rescue where to meet you."
    if dive.alarmed and dive.called_at is None and not dive.drill:
        meet = f"Nobody has called rescue yet. In doubt call {dive.plan.site.rescue_call}."
    return f"Noted that you are at the site. {meet} Do not go into the water yourself."


_WORDS: dict[type[Event], Callable[[Dive, Any, datetime], str]] = {
    ev.Started: _started,
    ev.StartSaid: _start_said,
    ev.ExtensionAsked: _extension,
    ev.LatePassedOn: _passed_on,
    ev.PartlyOut: _partly_out,
    ev.AlarmRaised: _raised,
    ev.Acknowledged: _acknowledged,
    ev.RescueCalled: _called,
    ev.CalledTakenBack: _called_taken_back,
    ev.FixReported: _fix,
    ev.ConditionsReported: _conditions,
    ev.NoteAdded: _noted,
    ev.OnScene: _on_scene,
    ev.Closed: _closed,
}
