"""What follows from somebody's word: answers to them, and news for the others."""

from __future__ import annotations

from service.domain.dive import events as ev
from service.domain.dive.state import Dive
from service.domain.people import Actor, Recipient, Role
from service.domain.wording.drafts import Draft, LinkKind, MessageKind, draft, reply, to_contacts
from service.domain.wording.phrases import (
    call_rescue,
    call_them,
    heads,
    keep,
    may_go,
    name_of,
    number_of,
    quoted,
    time_of,
    who,
)


def on_filed(dive: Dive, event: ev.Filed) -> list[Draft]:
    """The codes, and what silence means."""
    parts = [
        name_of(f"plan filed for {dive.plan.site.name}."),
        keep(f"Going in: text IN {dive.start_code}."),
        keep(f"Out: text OUT {dive.finish_code}."),
        keep("The clock runs only once we answer ARMED."),
    ]
    return [draft(dive, dive.lead, MessageKind.REPLY, "filed", parts, event.at, link=LinkKind.DIVE)]


def on_extension_asked(dive: Dive, event: ev.ExtensionAsked) -> list[Draft]:
    """The contacts hold a raise-by time, so they hear of the new one; the diver hears when it counts."""
    extension = dive.extension
    if extension is None:
        return []
    new_due = time_of(dive, extension.due_out_at, event.at)
    new_raise = time_of(dive, extension.due_out_at + dive.grace.grace, event.at)
    parts = [
        *who(dive),
        keep(f"now due out {new_due}, not {time_of(dive, dive.due_out_at, event.at)}."),
        keep(f"Not heard by {new_raise} that all are out? Call them, then rescue: {call_rescue(dive)}."),
        keep(f"Ref {dive.reference}."),
    ]
    drafts = to_contacts(dive, MessageKind.START_NOTICE, "extension", parts, event.at)
    return [_with_step(one, extension.step) for one in drafts]


def _with_step(one: Draft, step: str) -> Draft:
    """An extension's notices go by its own number: the hand-over of one puts it in force."""
    return Draft(one.to, one.kind, step, one.text, one.due_at, one.expires_at, one.link, one.rank)


def _tell_lead(dive: Dive, name: str, words: str, event: ev.Event) -> list[Draft]:
    return [draft(dive, dive.lead, MessageKind.REPLY, name, [keep(words)], event.at)]


def on_extension_in_force(dive: Dive, event: ev.ExtensionTookEffect) -> list[Draft]:
    """Now it counts."""
    due, alarm = time_of(dive, dive.due_out_at, event.at), time_of(dive, dive.raise_by_at, event.at)
    words = f"due out is now {due}, your contacts know. Alarm goes out {alarm}. All out? Text OUT."
    return _tell_lead(dive, "extension_in_force", words, event)


def on_extension_not_in_force(dive: Dive, event: ev.ExtensionNotInForce) -> list[Draft]:
    """No contact has the new time yet, so the old one stands."""
    due = time_of(dive, dive.due_out_at, event.at)
    words = f"LATE is not in force: no contact could be told yet. Due out stays {due}. Phone a contact if you can."
    return _tell_lead(dive, "extension_not_in_force", words, event)


def on_late_passed_on(dive: Dive, event: ev.LatePassedOn) -> list[Draft]:
    """After the alert the contacts decide."""
    parts = [
        keep(f"{time_of(dive, event.at, event.at)} {event.by.name} says {quoted(event.by.words)}."),
        keep("The alarm stands; you decide what it means."),
        *call_them(dive),
        keep(f"Ref {dive.reference}."),
    ]
    told = to_contacts(dive, MessageKind.ALERT, "late", parts, event.at)
    words = "the alarm is out already. Your contacts have your message. All out? Text OUT."
    return told + reply(dive, event.by, event.at, keep(words))


def on_partly_out(dive: Dive, event: ev.PartlyOut) -> list[Draft]:
    """The count is repeated with what is missing; contacts who are alarmed hear it too."""
    missing = f"{event.count} of {dive.head_count} out, {event.missing} missing"
    words = f"{missing}. The clock goes on. All out? Text OUT {dive.head_count}. In trouble? Text SOS."
    answer = reply(dive, event.by, event.at, keep(words))
    if not dive.alarmed:
        return answer
    parts = [
        keep(f"{missing}, says {event.by.name} {time_of(dive, event.at, event.at)}. The alarm stands."),
        *call_them(dive),
        keep(f"Tell rescue: {call_rescue(dive)}. Ref {dive.reference}."),
    ]
    return to_contacts(dive, MessageKind.ALERT, "partly_out", parts, event.at, but=event.by.key) + answer


def on_acknowledged(dive: Dive, event: ev.Acknowledged) -> list[Draft]:
    """The contact hears what to do next; the others who were alerted hear that somebody acts."""
    phone = number_of(dive.lead.phone) if dive.lead.phone else "them"
    words = (
        f"thank you, you have it. Call {phone}. No answer? Call {call_rescue(dive)}, then text"
        f" CALLED {dive.reference}. All safe? SAFE {dive.head_count} {dive.reference}"
    )
    answer = reply(dive, event.by, event.at, keep(words))
    news = (
        f"{event.by.name} has the alarm for dive {dive.reference} since {time_of(dive, event.at, event.at)}."
    )
    others = [contact for contact in dive.contacts if contact.key in dive.alerted_keys()]
    parts = [name_of(news), keep("Nobody has called rescue yet.")]
    return answer + [
        draft(dive, other, MessageKind.OTHER, "acknowledged", parts, event.at)
        for other in others
        if other.key != event.by.key
    ]


def on_rescue_called(dive: Dive, event: ev.RescueCalled) -> list[Draft]:
    """Everybody ashore hears that rescue is called; the repeats end, the dive stays open."""
    reference = f" (incident {event.reference})" if event.reference else ""
    parts = [
        keep(f"RESCUE CALLED {time_of(dive, event.at, event.at)} by"),
        name_of(f"{event.by.name}{reference}."),
        keep("For"),
        *who(dive, "."),
        keep("Keep your phone free."),
        keep(f"Know they are safe? Text SAFE {dive.head_count} {dive.reference}."),
    ]
    told = to_contacts(dive, MessageKind.ALERT, "called", parts, event.at, but=event.by.key)
    words = f"noted, rescue called{reference}. Keep your phone free. All safe? Text SAFE {dive.head_count} {dive.reference}"
    return told + reply(dive, event.by, event.at, keep(words))


def on_fix(dive: Dive, event: ev.FixReported) -> list[Draft]:
    """Noted; contacts who are alarmed hear where. With a start the answer is ARMED, not this."""
    with_start = dive.started_at == event.at
    answer = [] if with_start else reply(dive, event.by, event.at, keep(_noted(dive, event)))
    if not dive.alarmed:
        return answer
    parts = [
        keep(f"{_noted(dive, event)} From"),
        name_of(f"{event.by.name} {time_of(dive, event.at, event.at)}."),
        keep(f"Tell rescue: {call_rescue(dive)}. Ref {dive.reference}."),
    ]
    return to_contacts(dive, MessageKind.ALERT, "fix", parts, event.at, but=event.by.key) + answer


def _noted(dive: Dive, event: ev.FixReported) -> str:
    return f"position {event.position.lat:.5f},{event.position.lon:.5f} noted for dive {dive.reference}."


_MEANT = {
    "finish": "All out? Text OUT.",
    "late": "Need longer? Text LATE 20.",
    "call_off": "Not diving? Text NOGO.",
    "start": "Going in? Text IN.",
    "position": "A position? Text AT 47.12345,-20.54321.",
}


def hint(dive: Dive, by: Actor, near: str | None) -> str:
    """Which text would do what was probably meant."""
    if by.role is Role.CONTACT or near in ("safe", "ok", "called"):
        ref = dive.reference
        return f"You can text OK {ref}, CALLED {ref}, or SAFE {dive.head_count} {ref}."
    return _MEANT.get(near or "", "All out? OUT. Need longer? LATE 20. In trouble? SOS.")


def on_heard(dive: Dive, event: ev.Heard) -> list[Draft]:
    """Not understood, so nothing changed; what the party says is passed on once contacts are alarmed."""
    clock = "The clock runs." if dive.live else "The clock is not running."
    answer = reply(
        dive,
        event.by,
        event.at,
        keep(f"not understood, nothing changed. {clock}"),
        keep(hint(dive, event.by, event.near)),
    )
    if not dive.alarmed or event.by.role is not Role.DIVER:
        return answer
    parts = [
        keep(f"{time_of(dive, event.at, event.at)} {event.by.name} says {quoted(event.words)}."),
        keep(f"The alarm stands. Ref {dive.reference}."),
    ]
    return to_contacts(dive, MessageKind.ALERT, "heard", parts, event.at) + answer


def on_unreachable(dive: Dive, event: ev.PersonUnreachable) -> list[Draft]:
    """Whoever relies on that phone hears that it cannot be relied on."""
    person = dive.person(event.person)
    if person is None or not dive.live:
        return []
    if person in dive.contacts:
        return _tell_lead(
            dive, "unreachable", f"{person.name} cannot be reached by text. Phone somebody ashore.", event
        )
    if event.reason != "opted_out":
        return []
    parts = [
        name_of(f"{person.name} ({_plain(person)})"),
        keep("can no longer be reached by text. The clock goes on."),
        may_go(1, f"Dive {dive.reference}, {heads(dive.head_count)}."),
    ]
    return to_contacts(dive, MessageKind.OTHER, "unreachable", parts, event.at)


def _plain(person: Recipient) -> str:
    return number_of(person.phone) if person.phone else "no phone"
