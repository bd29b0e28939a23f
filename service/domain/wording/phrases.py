"""The pieces that texts are made of: who, where, since when, what to do. Plain words, no jargon, no blame."""

from __future__ import annotations

import math
from datetime import datetime

from service.domain.dive.refusals import finish_text
from service.domain.dive.state import Dive
from service.domain.encoding import Part, septets, to_gsm7
from service.domain.grace import FinishNeeds
from service.domain.local_time import say
from service.domain.people import Recipient
from service.domain.phone import national_format
from service.domain.place.geodesy import bearing_deg, compass_point, distance_m
from service.domain.place.position import Position, decimal

QUOTE_SURE = 90  # septets of somebody's words that an alarm repeats whatever else it has to say
EXACT_M = 100  # a fix at least so exact needs no word about it: one looks there
KILOMETRE_M = 1000
AT_SITE_M = 200  # a fix so near to the entry is at the site
QUOTE_MAX = 240  # septets that it repeats where there is room


def keep(words: str) -> Part:
    """Never left out."""
    return Part(words, 0)


def name_of(words: str) -> Part:
    """Never left out; shortened when all else fails."""
    return Part(words, 0, shorten=True)


def may_go(rank: int, words: str) -> Part:
    """Left out when room is short, the highest rank first."""
    return Part(words, rank)


def time_of(dive: Dive, at: datetime | None, now: datetime) -> str:
    """A time at the site."""
    return "?" if at is None else say(at, dive.plan.site.zone, now)


def number_of(phone: str) -> str:
    """A number as people ashore dial it."""
    return national_format(phone)


def heads(count: int) -> str:
    """How many divers."""
    return "1 diver" if count == 1 else f"{count} divers"


def who(dive: Dive, then: str = "") -> list[Part]:
    """Who and how many. A long name may be shortened; the number, which rescuers ask for first, never is."""
    others = dive.head_count - 1
    more = f"+ {others} " if others > 0 else ""
    return [name_of(dive.lead.name), keep(f"{more}({heads(dive.head_count)}){then}")]


def out_so_far(dive: Dive) -> list[Part]:
    """How many of them are out already, where somebody said so."""
    if dive.partly_out is None:
        return []
    return [keep(f"{dive.partly_out} of {dive.head_count} said to be out.")]


def position(dive: Dive, now: datetime) -> list[Part]:
    """The last known position and whose word it is, else the site's entry; decimal degrees, five places."""
    if dive.fix is not None:
        said = f"{time_of(dive, dive.fix.at, now)}{within(dive.fix.accuracy_m)})."
        return [
            keep(f"{decimal(dive.fix.position)} (from"),
            name_of(dive.fix.by),
            keep(said),
            *from_site(dive, dive.fix.position),
        ]
    known = dive.plan.site.entry
    return [keep(f"{decimal(known)}.")] if known is not None else []


def within(accuracy_m: float | None, from_m: float = EXACT_M) -> str:
    """How exact a position is, where that is known and makes a difference to whoever looks there. Rounded up."""
    if accuracy_m is None or accuracy_m <= from_m:
        return ""
    step = 10 if accuracy_m <= KILOMETRE_M - 10 else 100
    return f", within {length_of(math.ceil(accuracy_m / step) * step)}"


def from_site(dive: Dive, reported: Position) -> list[Part]:
    """How far and in which direction from the site a reported position is, where it is not at it."""
    entry = dive.plan.site.entry
    if entry is None:
        return []
    away_m = distance_m(entry, reported)
    if away_m <= AT_SITE_M:
        return []
    direction = compass_point(bearing_deg(entry, reported))
    return [may_go(5, f"{length_of(away_m)} {direction} of {dive.plan.site.name}.")]


def length_of(metres: float) -> str:
    """A length as people say it: to 10 m, from a kilometre on to 100 m."""
    tens = round(metres / 10) * 10
    return f"{tens} m" if tens < KILOMETRE_M else f"{metres / KILOMETRE_M:.1f} km"


def where(dive: Dive, now: datetime) -> list[Part]:
    """Site and position; exits and car if there is room."""
    site, at = dive.plan.site, position(dive, now)
    parts = [keep("At"), name_of(f"{site.name}{',' if at else '.'}"), *at]
    exits = dive.plan.exits or tuple(point.name for point in site.exits)
    if exits:
        parts.append(may_go(6, f"Exits: {', '.join(exits)}."))
    if site.access:
        parts.append(may_go(7, f"Access: {site.access}."))
    if dive.plan.vehicle:
        parts.append(may_go(5, f"Car: {dive.plan.vehicle}."))
    return parts


def since(dive: Dive, now: datetime) -> Part:
    """Since when they are overdue, or in."""
    if dive.started_at is None:
        return keep("Not known to be in the water.")
    went_in = time_of(dive, dive.started_at, now)
    planned = " (planned)" if dive.assumed else ""
    return keep(f"In {went_in}{planned}, due out {time_of(dive, dive.due_out_at, now)}.")


def quoted(words: str) -> str:
    """Somebody's own words, shortened to what there is always room for."""
    sure, more = _split(words)
    return f'"{sure}.."' if more else f'"{sure}"'


def quote(words: str, then: str = "") -> list[Part]:
    """Somebody's own words, word for word as far as there is room."""
    sure, more = _split(words)
    return [keep(f'"{sure}'), name_of(f'{more}"{then}')] if more else [keep(f'"{sure}"{then}')]


def _split(words: str) -> tuple[str, str]:
    """What is always repeated, and what more there may be room for; cut between words where there are any."""
    flat = " ".join(to_gsm7(words).split())
    sure = _begin(flat, QUOTE_SURE)
    more = flat[len(sure) :].strip()
    kept = _begin(more, QUOTE_MAX - QUOTE_SURE)
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
    if dive.last_heard is None:
        return [may_go(3, "Nothing heard from them.")]
    heard = dive.last_heard
    return [may_go(3, f"Last heard {time_of(dive, heard.at, now)} {heard.name}: {quoted(heard.words)}.")]


def call_them(dive: Dive) -> list[Part]:
    """The party's numbers; the lead's is never left out."""
    lead = dive.lead
    parts = [keep(f"Call {number_of(lead.phone)}.")] if lead.phone else []
    others = [f"{diver.name} {number_of(diver.phone)}" for diver in dive.divers[1:] if diver.phone]
    return parts + ([may_go(4, f"{'Or' if parts else 'Call'} {', '.join(others)}.")] if others else [])


def call_rescue(dive: Dive) -> str:
    """Whom to call for rescue."""
    return dive.plan.site.rescue_call


def to_rescue(dive: Dive, words: str, *, when: str = "now", then: str = "") -> str:
    """The words that send somebody to call rescue; in a drill what a real alarm would ask, and nobody is sent.

    Every text that tells a person to call rescue takes its words through here or through `if_real`.
    """
    return if_real(dive, words, f"{when} call {call_rescue(dive)}{then}")


def if_real(dive: Dive, words: str, would: str) -> str:
    """The words, or in a drill what somebody would do in a real alarm."""
    return f"In a real alarm you would {would}." if dive.drill else words


def call_them_then_rescue(dive: Dive) -> str:
    """What a contact does who has heard nothing by the raise-by time."""
    them = f"Call them ({number_of(dive.lead.phone)})" if dive.lead.phone else "Call them"
    if dive.drill:
        return f"{them}. {to_rescue(dive, '', when='then')}"
    return f"{them}, then rescue: {call_rescue(dive)}."


def who_called(dive: Dive, now: datetime) -> list[Part]:
    """Who called rescue and when, where somebody did."""
    if dive.called_by is None:
        return []
    return [keep(f"Rescue was called {time_of(dive, dive.called_at, now)} by"), name_of(f"{dive.called_by.name}.")]


def how_to_answer(dive: Dive) -> Part:
    """The three answers of a contact, with the reference that says which dive."""
    ref = dive.reference
    return keep(f"Reply OK {ref} (you act), CALLED {ref} (rescue called), SAFE {dive.head_count} {ref} (all safe).")


def out(dive: Dive) -> str:
    """How the party says that all are out."""
    return f"All out? Text {finish_text(dive)}"


def out_with_code(dive: Dive) -> str:
    """The finish that counts from any phone."""
    counted = dive.grace.finish_needs is FinishNeeds.HEADCOUNT or dive.partly_out is not None
    return f"OUT {dive.finish_code}" + (f" {dive.head_count}" if counted else "")


def deaf_divers(dive: Dive) -> list[Part]:
    """Those of the party whom no text of ours reaches, so that nobody ashore takes their silence for an answer."""
    deaf = tuple(diver for diver in dive.party_phones if diver.key in dive.unreachable)
    return [keep("Texts do not reach"), name_of(f"{names(deaf)}.")] if deaf else []


def with_others(dive: Dive) -> list[Part]:
    """Who else is in the plan, if there is room."""
    others = ", ".join(diver.name for diver in dive.divers[1:])
    return [may_go(4, f"with {others}")] if others else []


def names(people: tuple[Recipient, ...]) -> str:
    """People in a row."""
    return ", ".join(person.name for person in people)
