"""The pieces that texts are made of: who, where, since when, what to do. Plain words, no jargon, no blame."""

from __future__ import annotations

from datetime import datetime

from service.domain.dive.state import Dive
from service.domain.encoding import Part
from service.domain.local_time import say
from service.domain.people import Recipient
from service.domain.phone import national_format
from service.domain.place.position import decimal

QUOTE_MAX = 90  # characters of somebody's words that an alarm repeats


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


def position_of(dive: Dive, now: datetime) -> str | None:
    """The last known position, else the site's; decimal degrees, five places."""
    if dive.fix is not None:
        return f"{decimal(dive.fix.position)} (from {dive.fix.source} {time_of(dive, dive.fix.at, now)})"
    return decimal(dive.plan.site.position) if dive.plan.site.position is not None else None


def where(dive: Dive, now: datetime) -> list[Part]:
    """Site and position; exits and car if there is room."""
    site, position = dive.plan.site, position_of(dive, now)
    parts = [name_of(f"At {site.name},"), keep(f"{position}.")] if position else [name_of(f"At {site.name}.")]
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
    """Somebody's own words, shortened to what an alarm has room for."""
    flat = " ".join(words.split())
    return f'"{flat}"' if len(flat) <= QUOTE_MAX else f'"{flat[:QUOTE_MAX].rstrip()}.."'


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
    others = [f"{diver.name} {number_of(diver.phone)}" for diver in dive.party_phones[1:] if diver.phone]
    return parts + ([may_go(4, f"Or {', '.join(others)}.")] if others else [])


def call_rescue(dive: Dive) -> str:
    """Whom to call for rescue."""
    return dive.plan.site.rescue_call


def how_to_answer(dive: Dive) -> Part:
    """The three answers of a contact, with the reference that says which dive."""
    ref = dive.reference
    return keep(f"Reply OK {ref} (you act), CALLED {ref} (rescue called), SAFE {dive.head_count} {ref} (all safe).")


def names(people: tuple[Recipient, ...]) -> str:
    """People in a row."""
    return ", ".join(person.name for person in people)
