"""That rescue was called, and that it was not after all: to everybody ashore, and to whoever says it."""

from __future__ import annotations

from collections.abc import Sequence

from service.domain.dive import events as ev
from service.domain.dive.state import Dive, TakenBack
from service.domain.grace import Step
from service.domain.language import Name, Phrase, say
from service.domain.people import Recipient
from service.domain.wording.drafts import (
    CALLED,
    EVERY_ADMIN,
    UNCALLED,
    Draft,
    MessageKind,
    acting_admins,
    an_admin,
    party_told,
    reply,
    strangers,
    to_contacts,
    to_each,
)
from service.domain.wording.ladder import Cause, act_distress, alarm_to
from service.domain.wording.parts import Part, keep, may_go
from service.domain.wording.phrases import call_rescue, out, time_of, to_rescue, who, who_called


def on_rescue_called(dive: Dive, event: ev.RescueCalled) -> list[Draft]:
    """Everybody ashore hears that rescue is called; the repeats end, the dive stays open."""
    told = to_contacts(dive, MessageKind.ALERT, CALLED, _rescue_called(dive, event), event.at, but=event.by.key)
    noted = say("noted, rescue called.")
    if event.reference:
        noted = say("noted, rescue called (incident {incident}).", incident=Name(event.reference))
    safe = say("Keep your phone free. All safe? Text SAFE {all} {ref}", all=dive.head_count, ref=dive.reference)
    back = say("Not called? NOT CALLED {ref}", ref=dive.reference)
    return told + reply(dive, event.by, event.at, keep(noted), keep(safe), may_go(1, back))


def _rescue_called(dive: Dive, event: ev.RescueCalled) -> list[Part]:
    at, name, whom = time_of(dive, event.at, event.at), Name(event.by.name), who(dive)
    called = say("RESCUE CALLED {time} by {name} for {who}.", time=at, name=name, who=whom)
    if event.reference:
        called = say(
            "RESCUE CALLED {time} by {name} (incident {incident}) for {who}.",
            time=at,
            name=name,
            incident=Name(event.reference),
            who=whom,
        )
    safe = say(
        "Keep your phone free. Know they are safe? Text SAFE {all} {ref}.", all=dive.head_count, ref=dive.reference
    )
    return [keep(called), keep(safe)]


def on_called_taken_back(dive: Dive, event: ev.CalledTakenBack) -> list[Draft]:
    """Whoever may believe that rescue comes hears that it does not, and what to do; the alarm says it all anew."""
    fallen = [one for one in dive.taken_back if one.at == event.at and one.call.by.own_key in event.whose]
    if event.stands:
        return _told_what_stands(dive, event, fallen) + _answer(dive, event, [])
    people = [one for one in (*dive.contacts, *_admins(dive)) if one.key != event.by.key]
    act = [*_whose_word(dive, event, fallen), *act_distress(dive)]
    cause = Cause(UNCALLED, event.at, event.at)
    alarm = alarm_to(dive, people, MessageKind.DISTRESS, cause, not_called_cry(dive), act)
    return alarm + _told_party(dive, event) + _answer(dive, event, fallen)


def not_called_cry(dive: Dive) -> Phrase:
    """How an alarm begins where somebody believed that rescue was called, and it was not."""
    if dive.drill:
        return say("NOT CALLED AFTER ALL:")
    return say("RESCUE NOT CALLED AFTER ALL, CALL NOW:")


def _admins(dive: Dive) -> list[Recipient]:
    """All of them once it was handed up: who answered it was told that rescue was called, and the others saw it."""
    if Step.HAND_UP in dive.steps:
        return [EVERY_ADMIN]
    return [an_admin(key) for key in acting_admins(dive)]


def _whose_word(dive: Dive, event: ev.CalledTakenBack, fallen: Sequence[TakenBack]) -> list[Part]:
    """Who takes it back: of somebody else the one whose word it was may know better, and can say so again."""
    name = Name(event.by.name)
    if all(one.call.by.own_key == event.by.own_key for one in fallen):
        return [may_go(1, say("{name} has taken back that rescue was called.", name=name))]
    said = fallen[-1].call
    other, time = Name(said.by.name), time_of(dive, said.at, event.at)
    words = say(
        "{name} says rescue was not called; {other} said {time} that it was.", name=name, other=other, time=time
    )
    return [may_go(1, words)]


def _told_what_stands(dive: Dive, event: ev.CalledTakenBack, fallen: Sequence[TakenBack]) -> list[Draft]:
    """Who was told that several called hears who is left: it is them whom the others, and rescue, would ask."""
    names = ", ".join(one.call.by.name for one in fallen)
    parts: list[Part] = [
        keep(say("{name} has NOT called rescue after all.", name=Name(names))),
        *who_called(dive, event.at),
        keep(to_rescue(dive, say("In doubt call {rescue}.", rescue=call_rescue(dive)))),
        keep(say("Ref {ref}.", ref=dive.reference)),
    ]
    return to_contacts(dive, MessageKind.ALERT, CALLED, parts, event.at, but=event.by.key)


def _told_party(dive: Dive, event: ev.CalledTakenBack) -> list[Draft]:
    """Whoever of them asked how it stands, or raised the alarm, may have heard that rescue was called."""
    phones = {one.phone for one in dive.contacts} | {event.by.phone}
    people = {one.phone: one for one in (*party_told(dive), *strangers(dive)) if one.phone not in phones}
    call = to_rescue(dive, say("In doubt call {rescue}.", rescue=call_rescue(dive)))
    parts = [keep(say("Rescue was not called after all.")), keep(call), keep(say("{out}.", out=out(dive)))]
    return to_each(dive, people.values(), MessageKind.OTHER, f"{UNCALLED}_party", parts, event.at)


def _answer(dive: Dive, event: ev.CalledTakenBack, fallen: Sequence[TakenBack]) -> list[Draft]:
    rescue, reference = call_rescue(dive), dive.reference
    if event.stands:
        doubt = [] if dive.drill else [keep(say("In doubt call {rescue}.", rescue=rescue))]
        words = [keep(say("noted, you have not called.")), *who_called(dive, event.at), *doubt]
        return reply(dive, event.by, event.at, *words, name=f"{CALLED}_reply")
    would = say("now call {rescue}, then text CALLED {ref}", rescue=rescue, ref=reference)
    real = say("Call {rescue}, then text CALLED {ref}.", rescue=rescue, ref=reference)
    others = [one for one in fallen if one.call.by.own_key != event.by.own_key]
    had = [may_go(2, say("{name} had said that it was.", name=Name(others[-1].call.by.name)))] if others else []
    words = [
        may_go(1, say("noted, rescue NOT called.")),
        *had,
        keep(to_rescue(dive, real, would)),
        may_go(3, say("Everybody told is told now.")),
    ]
    return reply(dive, event.by, event.at, *words, name=f"{UNCALLED}_reply")
