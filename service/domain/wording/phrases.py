"""The pieces that texts are made of: who, where, since when, what to do. Plain words, no jargon, no blame."""

from __future__ import annotations

import math
from datetime import datetime

from service.domain.dive.refusals import finish_text
from service.domain.dive.state import Dive
from service.domain.encoding import septets, to_gsm7
from service.domain.grace import FinishNeeds
from service.domain.language import Length, Moment, Name, Phrase, Words, count, say
from service.domain.local_time import place_of, shows_same
from service.domain.people import Recipient
from service.domain.phone import national_format, zones_of
from service.domain.place.geodesy import bearing_deg, compass_point, distance_m
from service.domain.place.position import EXACT_M, Position, decimal
from service.domain.wording.parts import Part, keep, may_go

QUOTE_SURE = 45  # septets of somebody's words that an alarm repeats whatever else it has to say
QUOTE_SHORT = 90  # septets of them where they are only mentioned
KILOMETRE_M = 1000
AT_SITE_M = 200  # a fix so near to the entry is at the site
QUOTE_MAX = 240  # septets that an alarm repeats where there is room


def time_of(dive: Dive, at: datetime | None, now: datetime) -> Moment | str:
    """A time at the site, to the minute as it is said: so what is said of one dive is often what is said of another."""
    if at is None:
        return "?"
    return Moment(at.replace(second=0, microsecond=0), dive.plan.site.zone, now.replace(second=0, microsecond=0))


def whose_time(dive: Dive) -> Phrase:
    """Whose clocks show the times that are told."""
    return say("Times: {place} time.", place=Name(place_of(dive.plan.site.zone)))


def elsewhere(dive: Dive) -> list[Phrase]:
    """The same, where the number of a contact is of a country or region whose clocks show another time at due out.

    They would act an hour early, or an hour late if nothing more came from us.
    """
    at, zone = dive.due_out_at or dive.plan.time_in_at or dive.filed_at, dive.plan.site.zone
    homes = [homes for contact in dive.contacts if contact.phone and (homes := zones_of(contact.phone))]
    return [] if all(shows_same(zone, found, at) for found in homes) else [whose_time(dive)]


def number_of(phone: str) -> str:
    """A number as people ashore dial it."""
    return national_format(phone)


def heads(number: int) -> Phrase:
    """How many divers."""
    return count("{count} diver", "{count} divers", number)


def who(dive: Dive) -> Phrase:
    """Who and how many. A long name may be shortened; the number, which rescuers ask for first, never is."""
    others = dive.head_count - 1
    name, divers = Name(dive.lead.name), heads(dive.head_count)
    if others > 0:
        return say("{name} + {others} ({heads})", name=name, others=others, heads=divers)
    return say("{name} ({heads})", name=name, heads=divers)


def out_so_far(dive: Dive) -> list[Part]:
    """How many of them are out already, where somebody said so."""
    if dive.partly_out is None:
        return []
    return [keep(say("{out} of {all} said to be out.", out=dive.partly_out, all=dive.head_count))]


def position(dive: Dive, now: datetime) -> list[Part]:
    """The last known position and whose word it is, else the site's entry; decimal degrees, five places."""
    if dive.fix is not None:
        said = say(
            "{position} (from {name} {time}{within}).",
            position=decimal(dive.fix.position),
            name=Name(dive.fix.by),
            time=time_of(dive, dive.fix.at, now),
            within=within(dive.fix.accuracy_m),
        )
        return [keep(said), *from_site(dive, dive.fix.position)]
    known = dive.plan.site.entry
    return [keep(f"{decimal(known)}.")] if known is not None else []


def within(accuracy_m: float | None, from_m: float = EXACT_M) -> Words:
    """How exact a position is, where that is known and makes a difference to whoever looks there. Rounded up."""
    if accuracy_m is None or accuracy_m <= from_m:
        return ""
    return say(", within {length}", length=Length(rounded_up(accuracy_m)))


def rounded_up(metres: float) -> int:
    """Metres as they are told: up to the next 10, from a kilometre on to the next 100."""
    step = 10 if metres <= KILOMETRE_M - 10 else 100
    return math.ceil(metres / step) * step


def from_site(dive: Dive, reported: Position) -> list[Part]:
    """How far and in which direction from the site a reported position is, where it is not at it.

    Directions are in the letters of English charts in every language: O is east in German and west in French.
    """
    entry = dive.plan.site.entry
    if entry is None:
        return []
    away_m = distance_m(entry, reported)
    if away_m <= AT_SITE_M:
        return []
    direction = compass_point(bearing_deg(entry, reported))
    site = Name(dive.plan.site.name)
    return [may_go(5, say("{length} {direction} of {site}.", length=Length(away_m), direction=direction, site=site))]


def where(dive: Dive, now: datetime) -> list[Part]:
    """Site and position; exits and car if there is room."""
    site, at = dive.plan.site, position(dive, now)
    name = Name(site.name)
    parts = [keep(say("At {site},", site=name) if at else say("At {site}.", site=name)), *at]
    exits = dive.plan.exits or tuple(point.name for point in site.exits)
    if exits:
        parts.append(may_go(6, say("Exits: {exits}.", exits=", ".join(exits))))
    if site.access:
        parts.append(may_go(7, say("Access: {access}.", access=site.access.rstrip("."))))
    if dive.plan.vehicle:
        parts.append(may_go(5, say("Car: {vehicle}.", vehicle=dive.plan.vehicle.rstrip("."))))
    return parts


def about_whom(dive: Dive, *, named: bool = True) -> Part:
    """Whose dive it is; where a contact calls for help long before it, no more than what they are to it.

    `named`: with the name of that contact, which has not been said yet.
    """
    call = dive.call_from_ashore
    if call is None or call.by is None:
        return keep(say("{who}.", who=who(dive)))
    if not named:
        return keep(say("Contact of {who}.", who=who(dive)))
    return keep(say("{name}, contact of {who}.", name=Name(call.by.name), who=who(dive)))


def since(dive: Dive, now: datetime) -> Part:
    """Since when they are overdue, or in."""
    if dive.raised_early:
        planned = time_of(dive, dive.plan.time_in_at, now)
        return keep(say("No start known: planned for {time}.", time=planned))
    if dive.started_at is None:
        return keep(say("Not known to be in the water."))
    went_in, due = time_of(dive, dive.started_at, now), time_of(dive, dive.due_out_at, now)
    if dive.assumed:
        return keep(say("In {time} (planned), due out {due}.", time=went_in, due=due))
    return keep(say("In {time}, due out {due}.", time=went_in, due=due))


def quoted(words: str) -> str:
    """Somebody's own words, shortened to what there is always room for."""
    begun, more = _split(words, QUOTE_SHORT)
    return f'"{begun}.."' if more else f'"{begun}"'


def quote(words: str) -> Phrase:
    """Somebody's own words, word for word as far as there is room."""
    sure, more = _split(words, QUOTE_SURE)
    return say('"{sure} {more}"', sure=sure, more=Name(more)) if more else say('"{sure}"', sure=sure)


def _split(words: str, first: int) -> tuple[str, str]:
    """So many septets, and what more there may be room for; cut between words where there are any."""
    flat = " ".join(to_gsm7(words).split())
    sure = _begin(flat, first)
    more = flat[len(sure) :].strip()
    kept = _begin(more, QUOTE_MAX - first)
    return sure, kept if kept == more else f"{kept}.."


def _begin(text: str, most: int) -> str:
    """The beginning of a text that takes at most so many septets."""
    if septets(text) <= most:
        return text
    cut = next(length for length in range(most, -1, -1) if septets(text[:length]) <= most)
    before, blank, _ = text[:cut].rpartition(" ")
    return before if blank else text[:cut]


def last_heard(dive: Dive, now: datetime) -> list[Part]:
    """When and how the party was last heard."""
    call = dive.call_from_ashore
    if dive.last_heard is None and call is not None and call.by is not None:
        # Of divers who are to go in tomorrow nobody waits to hear.
        at, said = time_of(dive, call.by.said_at or call.at, now), quoted(call.note or call.by.words)
        return [may_go(3, say("Last heard {time} {name}: {quote}.", time=at, name=Name(call.by.name), quote=said))]
    if dive.last_heard is None:
        return [may_go(3, say("Nothing heard from them."))]
    heard = dive.last_heard
    at, name, quote = time_of(dive, heard.at, now), Name(heard.name), quoted(heard.words)
    words = say("Last heard {time} {name}: {quote}.", time=at, name=name, quote=quote)
    if heard.asked_which:
        # An OUT that is quoted alone reads like an end.
        words = say(
            "Last heard {time} {name}: {quote}, maybe about another dive. This one is not over.",
            time=at,
            name=name,
            quote=quote,
        )
    return [may_go(3, words)]


def call_them(dive: Dive, *, behind_rescue: bool = False) -> list[Part]:
    """The party's numbers; the lead's is never left out. `behind_rescue`: it could be taken for its number.

    Before them that of a contact who called for help long before the dive: it is they who know.
    """
    lead, asked = dive.lead, dive.call_from_ashore
    by = None if asked is None else asked.by
    if by is not None and by.phone is not None:
        first = say("Call {name} {number}.", name=Name(by.name), number=number_of(by.phone))
        return [keep(first), *([keep(say("Or {people}.", people=number_of(lead.phone)))] if lead.phone else [])]
    number = number_of(lead.phone or "")
    call = say("Call them: {number}.", number=number) if behind_rescue else say("Call {number}.", number=number)
    parts = [keep(call)] if lead.phone else []
    others = ", ".join(f"{diver.name} {number_of(diver.phone)}" for diver in dive.divers[1:] if diver.phone)
    if not others:
        return parts
    more = say("Or {people}.", people=others) if parts else say("Call {people}.", people=others)
    return [*parts, may_go(4, more)]


def call_rescue(dive: Dive) -> str:
    """Whom to call for rescue."""
    return dive.plan.site.rescue_call


def to_rescue(dive: Dive, words: Words, would: Words | None = None) -> Words:
    """The words that send somebody to call rescue; in a drill what a real alarm would ask, and nobody is sent.

    Every text that tells a person to call rescue takes its words through here or through `if_real`, but for the answer
    to whoever calls for help in a drill: they may be in earnest.
    """
    return if_real(dive, words, would or say("now call {rescue}", rescue=call_rescue(dive)))


def if_real(dive: Dive, words: Words, would: Words) -> Words:
    """The words, or in a drill what somebody would do in a real alarm."""
    return say("In a real alarm you would {would}.", would=would) if dive.drill else words


def call_them_then_rescue(dive: Dive) -> Phrase:
    """What a contact does who has heard nothing by the raise-by time."""
    rescue = call_rescue(dive)
    if dive.drill:
        real = to_rescue(dive, "", say("then call {rescue}", rescue=rescue))
        if dive.lead.phone:
            return say("Call them ({number}). {real}", number=number_of(dive.lead.phone), real=real)
        return say("Call them. {real}", real=real)
    if dive.lead.phone:
        return say("Call them ({number}), then rescue: {rescue}.", number=number_of(dive.lead.phone), rescue=rescue)
    return say("Call them, then rescue: {rescue}.", rescue=rescue)


def who_acts(dive: Dive, now: datetime) -> list[Part]:
    """Who has the alarm already, so that two need not do the same."""
    if not dive.acknowledged:
        return []
    first = dive.acknowledged[0]
    person = dive.person(first.key)
    name = Name(person.name) if person else say("An admin")
    return [keep(say("{name} has the alarm since {time}.", name=name, time=time_of(dive, first.at, now)))]


def who_called(dive: Dive, now: datetime) -> list[Part]:
    """Who called rescue and when, where somebody did."""
    if dive.called_by is None:
        return []
    at, name = time_of(dive, dive.called_at, now), Name(dive.called_by.name)
    return [keep(say("Rescue was called {time} by {name}.", time=at, name=name))]


def nobody_called(dive: Dive) -> list[Part]:
    """What must not be taken for granted because somebody acts; in a drill nobody is to call."""
    if dive.drill or dive.called_at is not None or not dive.alarmed:
        return []
    return [keep(say("Nobody has called rescue yet."))]


def ref(dive: Dive) -> Part:
    """Which dive it is, for whoever writes or speaks of it."""
    return keep(say("Ref {ref}.", ref=dive.reference))


def how_to_answer(dive: Dive) -> Part:
    """The three answers of a contact, with the reference that says which dive."""
    return keep(
        say(
            "Reply OK {ref} (you act), CALLED {ref} (rescue called), SAFE {all} {ref} (all safe).",
            ref=dive.reference,
            all=dive.head_count,
        )
    )


def out(dive: Dive) -> Phrase:
    """How the party says that all are out."""
    return say("All out? Text {finish}", finish=finish_text(dive))


def overdue(dive: Dive, now: datetime) -> Phrase:
    """What the party hears when the alarm is out."""
    due = time_of(dive, dive.due_out_at, now)
    return say("overdue since {due}. Your contacts are being alerted. {out}.", due=due, out=out(dive))


def out_with_code(dive: Dive) -> str:
    """The finish that counts from any phone."""
    counted = dive.grace.finish_needs is FinishNeeds.HEADCOUNT or dive.partly_out is not None
    return f"OUT {dive.finish_code}" + (f" {dive.head_count}" if counted else "")


def deaf_divers(dive: Dive) -> list[Part]:
    """Those of the party whom no text of ours reaches, so that nobody ashore takes their silence for an answer."""
    deaf = tuple(diver for diver in dive.party_phones if diver.key in dive.unreachable)
    return [keep(say("Texts do not reach {names}.", names=Name(names(deaf))))] if deaf else []


def with_others(dive: Dive) -> list[Part]:
    """Who else is in the plan, if there is room; nobody where fewer went in, since it is not known who of them."""
    if dive.head_count < len(dive.plan.party):
        return []
    others = ", ".join(diver.name for diver in dive.divers[1:])
    return [may_go(4, say("with {names}", names=others))] if others else []


def names(people: tuple[Recipient, ...]) -> str:
    """People in a row."""
    return ", ".join(person.name for person in people)
