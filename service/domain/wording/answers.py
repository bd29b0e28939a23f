"""What follows from somebody's word: answers to them, and news for the others."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from service.domain.dive import events as ev
from service.domain.dive.refusals import finish_text
from service.domain.dive.state import Dive
from service.domain.encoding import Part
from service.domain.people import Actor, Recipient, Role
from service.domain.wording.drafts import (
    ABOUT_A_POSITION,
    Draft,
    LinkKind,
    MessageKind,
    party_told,
    reply,
    to_contacts,
    to_each,
)
from service.domain.wording.phrases import (
    call_rescue,
    call_them,
    call_them_then_rescue,
    heads,
    keep,
    may_go,
    name_of,
    number_of,
    out,
    quote,
    time_of,
    to_rescue,
    who,
    who_called,
)


def on_filed(dive: Dive, event: ev.Filed) -> list[Draft]:
    """The codes, and what silence means."""
    parts = [
        name_of(f"plan filed for {dive.plan.site.name}."),
        keep(f"Going in: text IN {dive.start_code}."),
        keep(f"Out: text OUT {dive.finish_code}."),
        keep("The clock runs only once we answer ARMED."),
    ]
    return to_each(dive, [dive.lead], MessageKind.REPLY, "filed", parts, event.at, link=LinkKind.DIVE)


def on_extension_asked(dive: Dive, event: ev.ExtensionAsked) -> list[Draft]:
    """The contacts hold a raise-by time, so they hear of the new one; the diver hears when it counts."""
    extension = dive.extension
    if extension is None:
        return []
    new_due = time_of(dive, extension.due_out_at, event.at)
    raise_by_at = extension.due_out_at + dive.grace.grace
    parts = [
        *who(dive),
        keep(f"now due out {new_due}, not {time_of(dive, dive.due_out_at, event.at)}."),
        keep(f"Not heard by {time_of(dive, raise_by_at, event.at)} that all are out?"),
        keep(call_them_then_rescue(dive)),
        keep(f"Ref {dive.reference}."),
    ]
    drafts = to_contacts(dive, MessageKind.START_NOTICE, "extension", parts, event.at)
    # The notices go by the extension's own number: the hand-over of one puts it in force.
    return [replace(one, step=extension.step, expires_at=raise_by_at) for one in drafts]


def on_extension_in_force(dive: Dive, event: ev.ExtensionTookEffect) -> list[Draft]:
    """Now it counts: everybody whom the old time was told."""
    due, alarm = time_of(dive, dive.due_out_at, event.at), time_of(dive, dive.raise_by_at, event.at)
    words = f"due out is now {due}, your contacts know. Alarm goes out {alarm}. {out(dive)}."
    return _tell_party(dive, "extension_in_force", words, event.at)


def on_extension_not_in_force(dive: Dive, event: ev.ExtensionNotInForce) -> list[Draft]:
    """No contact has the new time yet, so the old one stands."""
    due = time_of(dive, dive.due_out_at, event.at)
    words = f"LATE is not in force: no contact could be told yet. Due out stays {due}. Phone a contact if you can."
    return _tell_party(dive, "extension_not_in_force", words, event.at)


def _tell_party(dive: Dive, name: str, words: str, at: datetime) -> list[Draft]:
    return to_each(dive, party_told(dive), MessageKind.REPLY, name, [keep(words)], at)


def on_late_passed_on(dive: Dive, event: ev.LatePassedOn) -> list[Draft]:
    """After the alert the contacts decide."""
    parts = [
        keep(time_of(dive, event.at, event.at)),
        name_of(event.by.name),
        keep("says"),
        *quote(event.by.words, "."),
        keep("The alarm stands; you decide what it means."),
        *call_them(dive),
        keep(f"Ref {dive.reference}."),
    ]
    told = to_contacts(dive, MessageKind.ALERT, "late", parts, event.at)
    words = f"the alarm is out already. Your contacts get your message. {out(dive)}."
    return told + reply(dive, event.by, event.at, keep(words))


def on_partly_out(dive: Dive, event: ev.PartlyOut) -> list[Draft]:
    """The count is repeated with what is missing; contacts who are alarmed hear it too."""
    missing = f"{event.count} of {dive.head_count} out, {event.missing} missing"
    clock = "The clock goes on." if dive.live else "No clock runs."
    all_out = finish_text(dive) if event.by.role is Role.DIVER else f"SAFE {dive.head_count} {dive.reference}"
    words = f"{missing}. {clock} All out? Text {all_out}. In trouble? Text SOS."
    answer = reply(dive, event.by, event.at, keep(words))
    if not dive.alarmed:
        return answer
    parts = [
        keep(f"{missing}, says"),
        name_of(event.by.name),
        keep(f"{time_of(dive, event.at, event.at)}. The alarm stands."),
        *call_them(dive),
        keep(to_rescue(dive, f"Tell rescue: {call_rescue(dive)}.")),
        keep(f"Ref {dive.reference}."),
    ]
    return to_contacts(dive, MessageKind.ALERT, "partly_out", parts, event.at, but=event.by.key) + answer


def on_acknowledged(dive: Dive, event: ev.Acknowledged) -> list[Draft]:
    """The contact hears what to do next; the others who were alerted hear that somebody acts."""
    ref, count = dive.reference, dive.head_count
    call = f"Call {number_of(dive.lead.phone)}." if dive.lead.phone else "Call them."
    text = f", then text CALLED {ref}"
    no_answer = to_rescue(dive, f"Call {call_rescue(dive)}{text}.", then=text)
    rescue = [keep(f"thank you. {call} No answer? {no_answer}")]
    called = who_called(dive, event.at)
    act = [keep("thank you."), *called, keep("Keep your phone free.")] if called else rescue
    answer = reply(dive, event.by, event.at, *act, may_go(1, f"All safe? SAFE {count} {ref}"))
    parts = [
        name_of(event.by.name),
        keep(f"has the alarm for dive {ref} since {time_of(dive, event.at, event.at)}."),
        *(called or ([] if dive.drill else [keep("Nobody has called rescue yet.")])),
    ]
    others = [c for c in dive.contacts if c.key in dive.alerted_keys() and c.key != event.by.key]
    return answer + to_each(dive, others, MessageKind.OTHER, "acknowledged", parts, event.at)


def on_rescue_called(dive: Dive, event: ev.RescueCalled) -> list[Draft]:
    """Everybody ashore hears that rescue is called; the repeats end, the dive stays open."""
    incident = [name_of(f"(incident {event.reference})")] if event.reference else []
    safe = f"Text SAFE {dive.head_count} {dive.reference}"
    parts = [
        keep(f"RESCUE CALLED {time_of(dive, event.at, event.at)} by"),
        name_of(event.by.name),
        *incident,
        keep("for"),
        *who(dive, "."),
        keep(f"Keep your phone free. Know they are safe? {safe}."),
    ]
    told = to_contacts(dive, MessageKind.ALERT, "called", parts, event.at, but=event.by.key)
    noted = [keep("noted, rescue called"), name_of(f"(incident {event.reference}).")] if event.reference else []
    answer = [*(noted or [keep("noted, rescue called.")]), keep(f"Keep your phone free. All safe? {safe}")]
    return told + reply(dive, event.by, event.at, *answer)


def hint(dive: Dive, by: Actor, near: str | None) -> str:
    """Which text would do what was probably meant."""
    ref = dive.reference
    if near == "position":
        return "A position? Text AT 47.12345,-20.54321."
    ashore = by.role in (Role.CONTACT, Role.ADMIN)
    if ashore and near in ("where", "pack", "on_scene"):
        return f"You can text WHERE {ref}, PACK {ref}, or ON SCENE {ref}."
    if ashore or near in ("safe", "ok", "called"):
        return f"You can text OK {ref}, CALLED {ref}, or SAFE {dive.head_count} {ref}."
    meant = {
        "finish": f"{out(dive)}.",
        "late": "Need longer? Text LATE 20.",
        "call_off": "Not diving? Text NOGO.",
        "start": "Going in? Text IN.",
        "on_scene": "Ashore for another dive? Text ON SCENE and its reference.",
        "where": f"Asking for the last position? Text WHERE {ref}.",
    }
    if near in meant:
        return meant[near]
    return f"{out(dive)}. Longer? LATE 20. Trouble? SOS." if dive.live else "Going in? IN. Trouble? SOS."


def on_heard(dive: Dive, event: ev.Heard) -> list[Draft]:
    """Not understood, so nothing changed; what the party says is passed on once contacts are alarmed."""
    clock = "The clock runs." if dive.live else "The clock is not running."
    answer = reply(
        dive,
        event.by,
        event.at,
        keep(f"not understood, nothing changed. {clock}"),
        *_how_to_say_it(dive, event),
        segments=ABOUT_A_POSITION if event.trouble else None,
    )
    if not event.answered:
        answer = []
    if not dive.alarmed or event.by.role is not Role.DIVER:
        return answer
    parts = [
        keep(time_of(dive, event.at, event.at)),
        name_of(event.by.name),
        keep("says"),
        *quote(event.words, "."),
        keep(f"The alarm stands. Ref {dive.reference}."),
    ]
    return to_contacts(dive, MessageKind.ALERT, "heard", parts, event.at) + answer


def _how_to_say_it(dive: Dive, event: ev.Heard) -> list[Part]:
    if event.trouble is None:
        return [keep(hint(dive, event.by, event.near))]
    return [name_of(f"Position: {event.trouble}."), may_go(1, "Check it and text AT again.")]


def on_unreachable(dive: Dive, event: ev.PersonUnreachable) -> list[Draft]:
    """Whoever relies on that phone hears that it cannot be relied on."""
    person = dive.person(event.person)
    if person is None or not dive.live:
        return []
    if person in dive.contacts:
        parts = [name_of(person.name), keep("cannot be reached by text. Phone somebody ashore.")]
        return to_each(dive, [dive.lead], MessageKind.REPLY, "unreachable", parts, event.at)
    if event.reason != "opted_out":
        return []
    parts = [
        name_of(person.name),
        keep(f"({_plain(person)}) can no longer be reached by text. The clock goes on."),
        keep(f"Dive {dive.reference}, {heads(dive.head_count)}."),
    ]
    return to_contacts(dive, MessageKind.OTHER, "unreachable", parts, event.at)


def _plain(person: Recipient) -> str:
    return number_of(person.phone) if person.phone else "no phone"
