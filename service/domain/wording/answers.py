"""What follows from somebody's word: answers to them, and news for the others."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

from service.domain.dive import events as ev
from service.domain.dive.refusals import clock_runs, finish_text
from service.domain.dive.state import Dive, Phase
from service.domain.dive.ways import DECLINED
from service.domain.language import Name, Phrase, Words, say
from service.domain.people import Actor, Channel, Recipient, Role
from service.domain.texts.params import SHORTEST_BARE_MIN
from service.domain.texts.start import bare_run_time
from service.domain.wording import introducing
from service.domain.wording.as_it_stands import gave_up
from service.domain.wording.drafts import (
    ABOUT_A_POSITION,
    CALLED,
    UNCALLED,
    Draft,
    LinkKind,
    MessageKind,
    party_told,
    reply,
    to_contacts,
    to_each,
)
from service.domain.wording.parts import Part, keep, may_go
from service.domain.wording.phrases import (
    call_rescue,
    call_them,
    call_them_then_rescue,
    elsewhere,
    heads,
    names,
    nobody_called,
    number_of,
    out,
    quote,
    ref,
    time_of,
    to_rescue,
    who,
    who_called,
)


def on_filed(dive: Dive, event: ev.Filed) -> list[Draft]:
    """The codes, and what silence means; contacts who are new hear what a contact does."""
    if event.telling:
        return _going_in(dive, event) + introducing.introductions(dive, event)
    parts = [
        keep(_filed(dive, event.at)),
        keep(say("Going in: text IN {code}.", code=dive.start_code)),
        keep(say("Out: text OUT {code}.", code=dive.finish_code)),
        keep(say("The clock runs only once we answer ARMED.")),
    ]
    codes = to_each(dive, [dive.lead], MessageKind.REPLY, "filed", parts, event.at, link=LinkKind.DIVE)
    return codes + introducing.introductions(dive, event)


def _filed(dive: Dive, at: datetime) -> Phrase:
    """With its time in: else nobody would see that another day, or the morning for the evening, was understood."""
    site, time_in_at = Name(dive.plan.site.name), dive.plan.time_in_at
    if time_in_at is None:
        return say("plan filed for {site}.", site=site)
    return say("plan filed for {site}, {time}.", site=site, time=time_of(dive, time_in_at, at))


def _going_in(dive: Dive, event: ev.Filed) -> list[Draft]:
    """To a lead who filed and started with one text: who is told, when they act, and what to wait for."""
    told = tuple(contact for contact in dive.contacts if contact.key in event.telling)
    raise_by_at = event.at + dive.plan.run_time + dive.grace.grace
    parts = [
        may_go(1, say("plan filed for {site}.", site=Name(dive.plan.site.name))),
        keep(say("Told now: {names}.", names=Name(names(told)))),
        keep(say("Alarm {time}.", time=time_of(dive, raise_by_at, event.at))),
        keep(say("Go in once we answer ARMED.")),
        keep(say("Out: text OUT {code}.", code=dive.finish_code)),
    ]
    return to_each(dive, [dive.lead], MessageKind.REPLY, "filed", parts, event.at)


def on_start_said(dive: Dive, event: ev.StartSaid) -> list[Draft]:
    """Everybody holds the times already; contacts hear that there are more than they were told of."""
    answer = reply(dive, event.by, event.at, keep(clock_runs(dive, event.at)))
    if event.head_count is None:
        return answer
    at, name, all_in = time_of(dive, event.at, event.at), Name(event.by.name), heads(event.head_count)
    parts = [
        keep(say("{time} {name} says: {heads} went in, more than we knew of.", time=at, name=name, heads=all_in)),
        keep(say("Alarm time stays {time}.", time=time_of(dive, dive.raise_by_at, event.at))),
        ref(dive),
    ]
    kind = MessageKind.START_NOTICE
    if dive.alarmed:
        tell = to_rescue(dive, say("Tell rescue: {rescue}.", rescue=call_rescue(dive)))
        parts, kind = (
            [parts[0], keep(say("The alarm stands.")), *call_them(dive), keep(tell), ref(dive)],
            MessageKind.ALERT,
        )
    return to_contacts(dive, kind, "more_went_in", parts, event.at) + answer


def on_extension_asked(dive: Dive, event: ev.ExtensionAsked) -> list[Draft]:
    """The contacts hold a raise-by time, so they hear of the new one; the diver hears when it counts."""
    extension = dive.extension
    if extension is None:
        return []
    new, old = time_of(dive, extension.due_out_at, event.at), time_of(dive, dive.due_out_at, event.at)
    raise_by_at = extension.due_out_at + dive.grace.grace
    parts = [
        keep(say("{who} now due out {new}, not {old}.", who=who(dive), new=new, old=old)),
        keep(say("Not heard by {time} that all are out?", time=time_of(dive, raise_by_at, event.at))),
        *map(keep, elsewhere(dive)),
        keep(call_them_then_rescue(dive)),
        ref(dive),
    ]
    drafts = to_contacts(dive, MessageKind.START_NOTICE, "extension", parts, event.at)
    # The notices go by the extension's own number: the hand-over of one puts it in force.
    return [replace(one, step=extension.step, expires_at=raise_by_at) for one in drafts]


def on_extension_in_force(dive: Dive, event: ev.ExtensionTookEffect) -> list[Draft]:
    """Now it counts: everybody whom the old time was told."""
    due, alarm = time_of(dive, dive.due_out_at, event.at), time_of(dive, dive.raise_by_at, event.at)
    told = say(
        "due out is now {due}, your contacts know. Alarm goes out {alarm}. {out}.", due=due, alarm=alarm, out=out(dive)
    )
    return _tell_party(dive, "extension_in_force", told, event.at)


def on_extension_not_in_force(dive: Dive, event: ev.ExtensionNotInForce) -> list[Draft]:
    """No contact has the new time yet, so the old one stands."""
    words = say(
        "LATE is not in force: no contact could be told yet. Due out stays {due}. Phone a contact if you can.",
        due=time_of(dive, dive.due_out_at, event.at),
    )
    return _tell_party(dive, "extension_not_in_force", words, event.at)


def _tell_party(dive: Dive, name: str, words: Phrase, at: datetime) -> list[Draft]:
    return to_each(dive, party_told(dive), MessageKind.REPLY, name, [keep(words)], at)


def on_late_passed_on(dive: Dive, event: ev.LatePassedOn) -> list[Draft]:
    """After the alert the contacts decide."""
    parts = [
        keep(_says(dive, event.by, event.by.words, event.at)),
        keep(say("The alarm stands; you decide what it means.")),
        *call_them(dive),
        ref(dive),
    ]
    told = to_contacts(dive, MessageKind.ALERT, "late", parts, event.at)
    words = say("the alarm is out already. Your contacts get your message. {out}.", out=out(dive))
    return told + reply(dive, event.by, event.at, keep(words))


def _says(dive: Dive, by: Actor, words: str, now: datetime) -> Phrase:
    at = time_of(dive, by.said_at or now, now)
    return say("{time} {name} says {quote}.", time=at, name=Name(by.name), quote=quote(words))


def on_noted(_dive: Dive, _event: ev.NoteAdded) -> list[Draft]:
    """Who writes it has the answer on the page, and the others read it where they look for what happened."""
    return []


def on_partly_out(dive: Dive, event: ev.PartlyOut) -> list[Draft]:
    """The count is repeated with what is missing; contacts who are alarmed hear it too."""
    missing = say("{out} of {all} out, {missing} missing", out=event.count, all=dive.head_count, missing=event.missing)
    clock = say("The clock goes on.") if dive.live else say("No clock runs.")
    all_out = finish_text(dive) if event.by.role is Role.DIVER else f"SAFE {dive.head_count} {dive.reference}"
    words = say(
        "{missing}. {clock} All out? Text {finish}. In trouble? Text SOS.", missing=missing, clock=clock, finish=all_out
    )
    answer = reply(dive, event.by, event.at, keep(words))
    if not dive.alarmed:
        return answer
    at, name = time_of(dive, event.at, event.at), Name(event.by.name)
    parts = [
        keep(say("{missing}, says {name} {time}. The alarm stands.", missing=missing, name=name, time=at)),
        *call_them(dive),
        keep(to_rescue(dive, say("Tell rescue: {rescue}.", rescue=call_rescue(dive)))),
        ref(dive),
    ]
    return to_contacts(dive, MessageKind.ALERT, "partly_out", parts, event.at, but=event.by.key) + answer


def on_acknowledged(dive: Dive, event: ev.Acknowledged) -> list[Draft]:
    """The contact hears what to do next; the others who were alerted hear that somebody acts."""
    called = who_called(dive, event.at)
    act = [*called, keep(say("Keep your phone free."))] if called else _call_and_say_so(dive)
    safe = say("All safe? SAFE {all} {ref}", all=dive.head_count, ref=dive.reference)
    answered = f"{CALLED}_reply" if called else f"{UNCALLED}_reply"
    answer = reply(dive, event.by, event.at, may_go(2, say("thank you.")), *act, may_go(3, safe), name=answered)
    has_it = say(
        "{name} has the alarm for dive {ref} since {time}.",
        name=Name(event.by.name),
        ref=dive.reference,
        time=time_of(dive, event.at, event.at),
    )
    uncalled = nobody_called(dive)
    name = f"{UNCALLED}_acknowledged" if uncalled else f"{CALLED}_acknowledged" if called else "acknowledged"
    others = [c for c in dive.contacts if c.key in dive.alerted_keys() and c.key != event.by.key]
    return answer + to_each(dive, others, MessageKind.OTHER, name, [keep(has_it), *called, *uncalled], event.at)


def _call_and_say_so(dive: Dive) -> list[Part]:
    rescue, reference = call_rescue(dive), dive.reference
    call = say("Call them. No answer?")
    if dive.lead.phone:
        call = say("Call {number}. No answer?", number=number_of(dive.lead.phone))
    would = say("now call {rescue}, then text CALLED {ref}", rescue=rescue, ref=reference)
    then = to_rescue(dive, say("Call {rescue}, then text CALLED {ref}.", rescue=rescue, ref=reference), would)
    return [may_go(1, call), keep(then)]


def hint(dive: Dive, by: Actor, near: str | None) -> Phrase:
    """Which text would do what was probably meant."""
    reference = dive.reference
    if near == "position":
        return say("A position? Text AT 47.12345,-20.54321.")
    if by.role in (Role.CONTACT, Role.ADMIN):
        return _hint_ashore(dive, by, near)
    if near in ("ok", "called", "not_called") or (near == "safe" and not dive.live):
        return _answers_to_an_alarm(dive)
    meant = {
        "finish": say("{out}.", out=out(dive)),
        "safe": say("{out}.", out=out(dive)),  # they say it of themselves
        "late": say("Need longer? Text LATE 20."),
        "call_off": say("{out}.", out=out(dive)) if dive.live and not dive.assumed else say("Not diving? Text NOGO."),
        "start": say("Going in? Text IN.") if not dive.live or dive.assumed else _all_of_it(dive),
        "on_scene": say("Ashore for another dive? Text ON SCENE and its reference."),
        "plan": say("A plan? Text PLAN {site} 1000 50 P2.", site=dive.plan.site.code or "SITE"),
        "where": say("Asking for the last position? Text WHERE {ref}.", ref=reference),
    }
    if near in meant:
        return meant[near]
    return _all_of_it(dive) if dive.live else say("Going in? IN. Trouble? SOS.")


def _all_of_it(dive: Dive) -> Phrase:
    return say("{out}. Longer? LATE 20. Trouble? SOS.", out=out(dive))


def _hint_ashore(dive: Dive, by: Actor, near: str | None) -> Phrase:
    if near == "not_called":
        return say("Rescue not called? Text NOT CALLED {ref}.", ref=dive.reference)
    if near in ("agree", "decline"):
        return say("You can text AGREE {ref} or DECLINE {ref}.", ref=dive.reference)
    if near == "status" and not dive.alarmed:
        return say("How it stands: text STATUS {ref}.", ref=dive.reference)
    if near in ("where", "pack", "on_scene"):
        return say("You can text WHERE {ref}, PACK {ref}, or ON SCENE {ref}.", ref=dive.reference)
    if by.role is Role.CONTACT and not dive.alarmed and near not in ("ok", "called", "safe", "finish"):
        # "Who is this?": nobody is made to try SAFE, which would stop the clock of divers who are in the water.
        return say("You can text AGREE {ref} or DECLINE {ref}.", ref=dive.reference)
    return _answers_to_an_alarm(dive)


def _answers_to_an_alarm(dive: Dive) -> Phrase:
    return say("You can text OK {ref}, CALLED {ref}, or SAFE {all} {ref}.", ref=dive.reference, all=dive.head_count)


def on_heard(dive: Dive, event: ev.Heard) -> list[Draft]:
    """Not understood, so nothing changed; what the party says is passed on once contacts are alarmed."""
    answer = reply(
        dive,
        event.by,
        event.at,
        keep(_what_became_of_it(dive, event)),
        *_of_which(dive, event),
        *_how_to_say_it(dive, event),
        segments=ABOUT_A_POSITION if event.trouble else None,
    )
    if not event.answered:
        answer = []
    if not dive.alarmed or event.by.role is not Role.DIVER:
        return answer
    parts = [
        keep(_says(dive, event.by, event.words, event.at)),
        *([keep(say("It may be about another dive, and they are asked which."))] if event.asked_which else []),
        keep(say("The alarm stands.")),
        ref(dive),
    ]
    return to_contacts(dive, MessageKind.ALERT, "heard", parts, event.at) + answer


def _what_became_of_it(dive: Dive, event: ev.Heard) -> Phrase:
    clock = say("The clock runs.") if dive.live else say("The clock is not running.")
    if event.overtaken is None and dive.alarmed:
        return say("not understood, the alarm stands.")
    if event.overtaken is None:
        return say("not understood, nothing changed. {clock}", clock=clock)
    if event.overtaken == "not_called":
        return say("your CALLED came late: NOT CALLED was said after it, so it changed nothing.")
    return say("your text came late, from before other news, and changed nothing. {clock}", clock=clock)


def _of_which(dive: Dive, event: ev.Heard) -> list[Part]:
    """The dive that the word to send would start or end, for the one who is told to send it."""
    if event.by.role is not Role.DIVER or event.near not in ("finish", "start"):
        return []
    return [may_go(2, say("Dive {ref}, {site}.", ref=dive.reference, site=Name(dive.plan.site.name)))]


def _how_to_say_it(dive: Dive, event: ev.Heard) -> list[Part]:
    asked = None if event.near != "start" else _start_of(dive, event)
    if asked is not None:
        return [keep(asked)]
    if event.overtaken == "not_called":
        again = say("Rescue was called? Text CALLED {ref}.", ref=dive.reference)
        return [keep(again), *_rescue_in_doubt(dive, event.by)]
    if event.near == "status" and (whom_to_call := _whom_to_call(dive, event.by)) is not None:
        return [keep(whom_to_call), may_go(1, hint(dive, event.by, event.near))]
    if event.trouble is None:
        return [keep(hint(dive, event.by, event.near)), *_rescue_in_doubt(dive, event.by)]
    return [
        keep(say("Position: {trouble}.", trouble=Name(event.trouble))),
        may_go(1, say("Check it and text AT again.")),
    ]


def _start_of(dive: Dive, event: ev.Heard) -> Phrase | None:
    """The start that `IN 30` would be, of a plan for longer: it may be about later, and so it is asked."""
    asked = bare_run_time(event.words)
    if asked is None or asked < SHORTEST_BARE_MIN or dive.phase is not Phase.FILED or event.by.role is not Role.DIVER:
        return None
    if timedelta(minutes=asked) >= dive.plan.run_time:
        return None
    return say("Going in for {minutes} minutes? Text IN {ref} {minutes}.", minutes=asked, ref=dive.reference)


def _rescue_in_doubt(dive: Dive, by: Actor) -> list[Part]:
    whom_to_call = _whom_to_call(dive, by)
    return [] if whom_to_call is None else [may_go(1, whom_to_call)]


def _whom_to_call(dive: Dive, by: Actor) -> Words | None:
    """What to do now, for somebody ashore who has the alarm, until rescue was called."""
    if by.role is Role.DIVER or not dive.alarmed or dive.called_at is not None:
        return None
    return to_rescue(dive, say("In doubt call {rescue}.", rescue=call_rescue(dive)))


def on_unreachable(dive: Dive, event: ev.PersonUnreachable) -> list[Draft]:
    """Whoever relies on that phone hears that it cannot be relied on; of a contact's best while they are still dry."""
    person, given_up = dive.person(event.person), gave_up(dive, event)
    if person is None:
        return given_up
    if event.reason == DECLINED and person in dive.contacts:
        return given_up + introducing.declined(dive, person.name, event)
    name = Name(person.name)
    if person in dive.contacts:
        lost = say("{name} cannot be reached by text. Phone somebody ashore.", name=name)
        if event.channel is Channel.CALL:
            lost = say("{name} does not answer a call. Phone somebody ashore.", name=name)
        return given_up + to_each(dive, [dive.lead], MessageKind.REPLY, "unreachable", [keep(lost)], event.at)
    if event.reason != "opted_out" or not dive.live:
        return []
    deaf = say(
        "{name} ({number}) can no longer be reached by text. The clock goes on.", name=name, number=_plain(person)
    )
    about = say("Dive {ref}, {heads}.", ref=dive.reference, heads=heads(dive.head_count))
    return to_contacts(dive, MessageKind.OTHER, "unreachable", [keep(deaf), keep(about)], event.at)


def _plain(person: Recipient) -> Words:
    return number_of(person.phone) if person.phone else say("no phone")
