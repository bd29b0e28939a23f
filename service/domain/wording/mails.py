"""E-mails to contacts: the same facts as the texts, and all of the plan that a text has no room for.

An e-mail is an extra way. Nobody reads what is answered to it, and each says so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from service.domain.dive.state import Dive, Phase
from service.domain.language import Moment, Name, Phrase, Words, count, render, say
from service.domain.people import Recipient
from service.domain.phone import dialled_from
from service.domain.place.fix import Fix
from service.domain.place.position import decimal
from service.domain.wording.phrases import whose_time, within


@dataclass(frozen=True, slots=True)
class Mail:
    """Subject and plain text; paragraphs are parted by empty lines."""

    subject: str
    body: str


def alarm(dive: Dive, person: Recipient, now: datetime, *, rescue_now: bool) -> Mail:
    """The alarm. A text asks to be replied to; this says where to answer instead."""
    cry = say("OVERDUE: {who}, {site}", who=_who(dive), site=Name(dive.plan.site.name))
    if dive.raised_by is not None:
        cry = say("ALARM: {who}, {site}", who=_who(dive), site=Name(dive.plan.site.name))
    said = "" if dive.raised_by is None else " ".join((dive.raised_note or dive.raised_by.words).split())
    by = "" if dive.raised_by is None else dive.raised_by.name
    raised: list[Words] = [say('Raised by {name}: "{words}"', name=Name(by), words=Name(said))] if said else []
    taken_back = [say("Rescue was not called after all.")] if dive.not_called_after_all else []
    news = [_club(dive), cry, *taken_back, *_out_so_far(dive), *raised, *_act(dive, person, rescue_now=rescue_now)]
    return _mail(dive, person, cry, news, now)


def notice(dive: Dive, person: Recipient, text: str, now: datetime) -> Mail:
    """The plan to keep: the words of the text first."""
    subject = say("Dive plan to keep: {who}, {site}", who=_who(dive), site=Name(dive.plan.site.name))
    return _mail(dive, person, subject, [text], now)


def later(dive: Dive, person: Recipient, text: str, now: datetime) -> Mail:
    """A later raise-by time: the words of the text first."""
    subject = say("Later due out: {who}, {site}", who=_who(dive), site=Name(dive.plan.site.name))
    return _mail(dive, person, subject, [text], now)


def news(dive: Dive, person: Recipient, text: str, now: datetime) -> Mail:
    """Whatever else a contact is told: the words of the text first."""
    subject = say("News of the dive: {who}, {site}", who=_who(dive), site=Name(dive.plan.site.name))
    return _mail(dive, person, subject, [text], now)


def stand_down(dive: Dive, person: Recipient, text: str, now: datetime) -> Mail:
    """It is over: the words of the text first."""
    subject = say("It is over: {who}, {site}", who=_who(dive), site=Name(dive.plan.site.name))
    return _mail(dive, person, subject, [text], now)


def _mail(dive: Dive, person: Recipient, subject: Words, news: Sequence[Words], now: datetime) -> Mail:
    language = person.language
    mark = [render(say("EXERCISE."), language)] if dive.drill else []
    drill = [[say("EXERCISE. This is a drill, nobody is in danger.")]] if dive.drill else []
    paragraphs = [*drill, news, _plan(dive, person), _times(dive, now), _so_far(dive, now), _answer(dive)]
    body = "\n\n".join("\n".join(_line(render(words, language)) for words in lines) for lines in paragraphs if lines)
    return Mail(" ".join([*mark, _line(render(subject, language))]), body)


def _line(words: str) -> str:
    """One line: what somebody typed must not make a paragraph of its own."""
    return " ".join(words.split())


def _club(dive: Dive) -> Words:
    return say("Linetender, for {club}", club=Name(dive.club_name))


def _who(dive: Dive) -> Phrase:
    divers = count("{count} diver", "{count} divers", dive.head_count)
    return say("{name} ({heads})", name=Name(dive.lead.name), heads=divers)


def _out_so_far(dive: Dive) -> list[Words]:
    """How many of them are out already, where somebody said so: rescue asks how many it is to look for."""
    if dive.partly_out is None:
        return []
    return [say("{out} of {all} said to be out.", out=dive.partly_out, all=dive.head_count)]


def _act(dive: Dive, person: Recipient, *, rescue_now: bool) -> list[Words]:
    rescue = dive.plan.site.rescue_call
    if dive.drill:
        would: Words = say("In a real alarm you would now call rescue: {rescue}.", rescue=rescue)
    elif rescue_now:
        would = say("CALL RESCUE NOW: {rescue}.", rescue=rescue)
    else:
        would = say("If they do not answer, call rescue: {rescue}.", rescue=rescue)
    them = say("Call them: {number}.", number=dialled_from(dive.lead.phone or "?", person.phone))
    return [would, them] if rescue_now else [them, would]


def _plan(dive: Dive, person: Recipient) -> list[Words]:
    """Who, where, and everything that helps to find them."""
    plan, site = dive.plan, dive.plan.site
    party = ", ".join(_reached(diver, person) for diver in dive.divers)
    exits = ", ".join(dict.fromkeys((*plan.exits, *(point.name for point in site.exits))))
    lines: list[Words] = [
        say("Party: {people}", people=Name(party)),
        say("Site: {site}", site=Name(site.name)),
        *([say("Entry: {position}", position=decimal(site.entry))] if site.entry else []),
    ]
    typed = (
        (exits, say("Exits: {words}", words=exits)),
        (site.access, say("Access: {words}", words=site.access or "")),
        (plan.vehicle, say("Car: {words}", words=plan.vehicle or "")),
        (plan.kit, say("Kit: {words}", words=plan.kit or "")),
        (plan.smb, say("Surface marker buoy: {words}", words=plan.smb or "")),
        (plan.notes, say("Notes: {words}", words=plan.notes or "")),
    )
    lines += [words for given, words in typed if given]
    contacts = ", ".join(_reached(contact, person) for contact in dive.contacts)
    return [*lines, say("People ashore: {people}", people=Name(contacts))]


def _reached(who: Recipient, person: Recipient) -> str:
    return f"{who.name} {dialled_from(who.phone, person.phone)}" if who.phone else who.name


def _times(dive: Dive, now: datetime) -> list[Words]:
    if dive.started_at is None:
        return [say("Not known to be in the water.")] if dive.alarmed else []
    zone = dive.plan.site.zone
    went_in = Moment(dive.started_at, zone, now)
    known = say("Planned to go in: {time}", time=went_in) if dive.assumed else say("Went in: {time}", time=went_in)
    if dive.extension is not None or dive.due_out_at is None:  # which one counts is not settled yet
        return [known, whose_time(dive)]
    due = [say("Due out: {time}", time=Moment(dive.due_out_at, zone, now))]
    raise_by = Moment(dive.due_out_at + dive.grace.grace, zone, now)
    return [known, *due, say("Raise-by time: {time}", time=raise_by), whose_time(dive)]


def _so_far(dive: Dive, now: datetime) -> list[Words]:
    """What has happened since, as the dive itself knows it, first to last."""
    found = sorted(_happened(dive), key=lambda one: one[0])
    lines = [say("{time} {what}", time=Moment(at, dive.plan.site.zone, now), what=what) for at, what in found]
    return [say("So far:"), *lines] if lines else []


def _happened(dive: Dive) -> list[tuple[datetime, Phrase]]:
    found = [(fix.at, _seen(fix)) for fix in dive.fixes if fix.doubt is None]
    if dive.last_heard is not None:
        name, quote = Name(dive.last_heard.name), dive.last_heard.words
        words = say('Last heard of them: {name}: "{words}"', name=name, words=quote)
        if dive.last_heard.asked_which:
            words = say('Last heard, maybe about another dive: {name}: "{words}"', name=name, words=quote)
        found.append((dive.last_heard.at, words))
    if dive.alarm_at is not None:
        found.append((dive.alarm_at, say("The alarm went up.")))
    for told, words in (
        *((one, say("Alerted: {name}", name=_named(dive, one.key))) for one in dive.alerted),
        *((one, say("{name} has the alarm.", name=_named(dive, one.key))) for one in dive.acknowledged),
        *((one, say("{name} is at the site.", name=_named(dive, one.key))) for one in dive.on_scene),
    ):
        found.append((told.at, words))
    found += [(call.at, _called(call.by.name, call.reference)) for call in dive.rescue_calls]
    for one in dive.taken_back:
        found.append((one.call.at, say("{name} said that rescue was called.", name=Name(one.call.by.name))))
        found.append((one.at, say("{name} said that it was not.", name=Name(one.by.name))))
    if dive.phase is Phase.CLOSED and dive.closed_at is not None and dive.closed_by is not None:
        found.append((dive.closed_at, say("Over, by the word of {name}.", name=Name(dive.closed_by.name))))
    return found


def _seen(fix: Fix) -> Phrase:
    """Where and whose word it is, and how exact: what may be kilometres off is not searched as a point."""
    at, near = decimal(fix.position), within(fix.accuracy_m)
    return say("Position {position}, from {name}{within}", position=at, name=Name(fix.by), within=near)


def _called(name: str, incident: str | None) -> Phrase:
    if incident:
        return say("{name} called rescue, incident {incident}.", name=Name(name), incident=incident)
    return say("{name} called rescue.", name=Name(name))


def _named(dive: Dive, key: str) -> Name | Phrase:
    person = dive.person(key)
    return say("an admin") if person is None else Name(person.name)


def _answer(dive: Dive) -> list[Words]:
    """Where an answer counts; the link to the page follows."""
    ref = dive.reference
    if dive.phase is Phase.CLOSED:
        return [say("Ref {ref}.", ref=ref), say("Do not answer this e-mail: nobody reads it.")]
    stay = say("Do not answer this e-mail: nobody reads it. Answer by text, or on the page.")
    if not dive.alarmed:
        return [say("Ref {ref}.", ref=ref), stay]
    commands = say(
        "By text: OK {ref} (you act), CALLED {ref} (rescue called), SAFE {all} {ref} (all safe).",
        ref=ref,
        all=dive.head_count,
    )
    return [stay, commands]
