"""What has happened to a dive, line by line, as the pack and the pages show it: who did what, in plain words."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import Any

from service.domain.dive import events as ev
from service.domain.dive.state import Dive
from service.domain.grace import Step
from service.domain.language import render
from service.domain.local_time import say
from service.domain.people import ADMINS, Actor, Channel
from service.domain.place.conditions import Current, Wind
from service.domain.place.fix import Doubt
from service.domain.place.geodesy import compass_point
from service.domain.place.position import decimal
from service.domain.wording.drafts import AN_ADMIN
from service.domain.wording.phrases import heads, quoted

_OUTCOMES = {
    ev.Outcome.SURFACED: "All out.",
    ev.Outcome.CALLED_OFF: "Called off, nobody is diving.",
    ev.Outcome.STOOD_DOWN: "Stood down, all safe.",
    ev.Outcome.LAPSED: "The plan lapsed: no start was heard.",
}
_WHY_UNREACHABLE = {
    "refused": "the number takes no texts",
    "opted_out": "they want no texts",
    "declined": "they will not be a contact",
    "no_receipt": "nothing says that the text arrived",
    "no_answer": "nobody pressed a key",
}
_WAYS = {Channel.TEXT: "Texts", Channel.CALL: "Calls", Channel.EMAIL: "E-mails"}
_STEPS = {
    Step.ASK_STARTED: "Asked whether they went in",
    Step.HEADS_UP: "Reminded that due out is near",
    Step.DUE_OUT: "Texted at due out",
    Step.SECOND_CALL: "Texted a second time",
    Step.ALERT: "Alerted",
    Step.NEXT_CONTACT: "Alerted next",
    Step.DISTRESS: "Told to call rescue now",
    Step.DISTRESS_AGAIN: "Told again to call rescue now",
    Step.HAND_UP: "Handed up",
    Step.ASK_OUT: "Asked whether they are out, since the service was restored",
}

_OWN_TAKEN_BACK = "Took back that rescue was called."


def who_did(event: ev.Event) -> str:
    """Whose doing it was: a name, or "the clock"."""
    by = getattr(event, "by", None)
    return by.name if isinstance(by, Actor) else "the clock"


def what_happened(dive: Dive, event: ev.Event) -> str:
    """One line for an event; `dive` gives names and zone, and may be its state at any later time. Total."""
    return _WORDS[type(event)](dive, event)


def _people(dive: Dive, keys: Iterable[str]) -> str:
    """Names in a row; somebody without a phone was not told, and is not here."""
    found = [("the club's admins" if key == ADMINS else _name(dive, key)) for key in keys]
    return ", ".join(found) or "nobody with a phone"


def _name(dive: Dive, key: str) -> str:
    person = dive.person(key)
    if person is None:
        return "an admin" if key.startswith(AN_ADMIN) else key
    return person.name


def _filed(_: Dive, event: ev.Filed) -> str:
    return f"Plan filed for {event.plan.site.name}, {render(heads(len(event.plan.party)))}."


def _started(dive: Dive, event: ev.Started) -> str:
    due = say(event.due_out_at, dive.plan.site.zone, event.at)
    if event.assumed:
        went_in = say(event.started_at, dive.plan.site.zone, event.at)
        return f"No start was heard; the clock runs from the planned {went_in}. Due out {due}."
    return f"In, {render(heads(event.head_count))}. Due out {due}."


def _start_said(_: Dive, event: ev.StartSaid) -> str:
    if event.head_count is not None:
        return f"Said that {render(heads(event.head_count))} went in, more than was known."
    return "Said that they went in."


def _armed(dive: Dive, event: ev.Armed) -> str:
    return f"Armed: the plan is with {_name(dive, event.contact)}."


def _not_armed(_: Dive, __: ev.NotArmed) -> str:
    return "Not armed: no contact could be told yet."


def _step_taken(dive: Dive, event: ev.StepTaken) -> str:
    return f"{_STEPS[event.step]}: {_people(dive, event.to)}."


def _extension_asked(dive: Dive, event: ev.ExtensionAsked) -> str:
    return f"Asked for due out {say(event.due_out_at, dive.plan.site.zone, event.at)}."


def _extension_took_effect(dive: Dive, event: ev.ExtensionTookEffect) -> str:
    due = say(event.due_out_at, dive.plan.site.zone, event.at)
    return f"Due out is now {due}; {_name(dive, event.contact)} has it."


def _extension_not_in_force(_: Dive, __: ev.ExtensionNotInForce) -> str:
    return "The later due out is not in force: no contact could be told."


def _late_passed_on(_: Dive, event: ev.LatePassedOn) -> str:
    return f"Said after the alarm: {quoted(event.by.words)}."


def _partly_out(_: Dive, event: ev.PartlyOut) -> str:
    return f"{event.count} out, {event.missing} missing."


def _alarm_raised(dive: Dive, event: ev.AlarmRaised) -> str:
    said = event.note or event.by.words
    when = "" if event.by.said_at is None else f", at {say(event.by.said_at, dive.plan.site.zone, event.at)}"
    told = "" if event.told_at is None else f" Told while the database was gone: {_people(dive, event.told)}."
    words = f": {quoted(said)}." if said else "."
    return f"Raised the alarm{' again' if event.reopened else ''}{when}{words}{told}"


def _acknowledged(_: Dive, __: ev.Acknowledged) -> str:
    return "Has the alarm and acts."


def _rescue_called(_: Dive, event: ev.RescueCalled) -> str:
    return "Called rescue" + (f", incident {event.reference}." if event.reference else ".")


def _called_taken_back(dive: Dive, event: ev.CalledTakenBack) -> str:
    others = [_name(dive, key) for key in event.whose if key != event.by.own_key]
    words = f"Said that rescue was not called, as {', '.join(others)} had said." if others else _OWN_TAKEN_BACK
    return f"{words} Another's word for it stands." if event.stands else words


def _fix_reported(dive: Dive, event: ev.FixReported) -> str:
    near = "" if event.accuracy_m is None else f", within {event.accuracy_m:.0f} m"
    when = "" if event.fix_at == event.at else f", at {say(event.fix_at, dive.plan.site.zone, event.at)}"
    why = {Doubt.FAR: " Not used: far from the site.", Doubt.FUTURE: " Not used: its time is in the future."}
    return f"Position {decimal(event.position)}{near}{when}." + ("" if event.doubt is None else why[event.doubt])


def _conditions_reported(_: Dive, event: ev.ConditionsReported) -> str:
    return " ".join([*_current(event.current), *_wind(event.wind)])


def _current(current: Current | None) -> list[str]:
    if current is None:
        return []
    return [f"Current {current.drift_kn:g} kn towards {compass_point(current.set_deg)}."]


def _wind(wind: Wind | None) -> list[str]:
    return [] if wind is None else [f"Wind {wind.speed_kn:g} kn from {compass_point(wind.from_deg)}."]


def _on_scene(_: Dive, __: ev.OnScene) -> str:
    return "Is at the site."


def _words_heard(_: Dive, event: ev.Heard) -> str:
    return f"Said: {quoted(event.words)}.{' It may be about another dive: asked which.' if event.asked_which else ''}"


def _noted(_: Dive, event: ev.NoteAdded) -> str:
    return f"Noted: {quoted(event.words)}."


def _unreachable(dive: Dive, event: ev.PersonUnreachable) -> str:
    why = _WHY_UNREACHABLE.get(event.reason, event.reason)
    lost = f"{_WAYS[event.channel]} do not reach {_name(dive, event.person)}: {why}."
    return f"{lost} Acts on the alarm no more." if event.gives_up else lost


def _reachable(dive: Dive, event: ev.PersonReachable) -> str:
    return f"{_WAYS[event.channel]} reach {_name(dive, event.person)} again."


def _told_meanwhile(dive: Dive, event: ev.ToldMeanwhile) -> str:
    return f"{_STEPS[event.step]}, not confirmed, while the database was gone: {_people(dive, event.to)}."


def _held(dive: Dive, event: ev.Held) -> str:
    copied, until = (say(at, dive.plan.site.zone, event.at) for at in (event.copied_at, event.until_at))
    return f"The service was restored from a copy of {copied}: the party is asked, and nobody alerted before {until}."


def _hold_ended(_: Dive, __: ev.HoldEnded) -> str:
    return "The clock goes on without waiting for the party's answer."


def _closed(_: Dive, event: ev.Closed) -> str:
    return _OUTCOMES[event.outcome] + (f" Reason: {event.reason}." if event.reason else "")


_WORDS: dict[type, Callable[[Dive, Any], str]] = {
    ev.Filed: _filed,
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
