"""A dive plan as it is filed, and the checks it must pass.

That a plan names the party, the site, time in and out, exits and people ashore who raise the alarm is common
practice of shore divers, no published source.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from enum import StrEnum

from service.domain.cross_checks import CrossCheckInput, cross_checks
from service.domain.encoding import septets, to_gsm7
from service.domain.gas import GasPlan
from service.domain.language import Phrase, Words, say
from service.domain.local_time import is_zone, minutes
from service.domain.people import ENGLISH, Channel
from service.domain.place.exits import exit_advice, exits_for
from service.domain.place.site import SitePlan

RUN_TIME_MIN = timedelta(minutes=5)
RUN_TIME_MAX = timedelta(hours=6)
PAST_ALLOWED = timedelta(minutes=10)  # between looking at the watch and pressing the button
AHEAD_ALLOWED = timedelta(days=14)
PARTY_MAX = 12
CONTACTS_MAX = 6
DEPTH_MAX_M = 100
WATER_MIN_C = -2
WATER_MAX_C = 40
EXITS_ADVISED = 2
NAME_MAX = 60
WORDS_MAX = 300


@dataclass(frozen=True, slots=True)
class Diver:
    """One of the party; the first of a plan is the lead. `phone` is E.164."""

    name: str
    phone: str | None = None
    language: str = ENGLISH


@dataclass(frozen=True, slots=True)
class Contact:
    """A person ashore who will raise the alarm. `phone` is E.164; `channels` are the ways to them, the best first."""

    name: str
    phone: str
    language: str = ENGLISH
    email: str | None = None
    channels: tuple[Channel, ...] = (Channel.TEXT,)


@dataclass(frozen=True, slots=True)
class DivePlan:
    """What a diver files. `exits` are the names of those chosen, best first.

    `water_c` is the temperature of the water in degrees Celsius. `medical` is there only where the diver allowed
    that rescuers read it.
    """

    site: SitePlan
    party: tuple[Diver, ...]
    contacts: tuple[Contact, ...]
    run_time: timedelta
    time_in_at: datetime | None = None
    depth_m: float | None = None
    gas: GasPlan | None = None
    exits: tuple[str, ...] = ()
    vehicle: str | None = None
    kit: str | None = None
    smb: str | None = None
    notes: str | None = None
    water_c: float | None = None
    medical: str | None = None

    @property
    def lead(self) -> Diver:
        """The diver whose phone runs the dive."""
        return self.party[0]

    def dives_too(self, contact: Contact) -> bool:
        """Whether the phone of a contact is that of one of the party."""
        return any(contact.phone == diver.phone for diver in self.party if diver.phone)


class Level(StrEnum):
    """How much a check matters: `refuse` keeps a plan from being filed, `advise` never does."""

    REFUSE = "refuse"
    ADVISE = "advise"


@dataclass(frozen=True, slots=True)
class Check:
    """One finding about a plan: which field, how grave, and what to do in plain words.

    `said`: the same for a text, short and in every language, where a plan by text can come to it.
    """

    level: Level
    field: str
    words: str
    said: Phrase | None = None

    @property
    def in_text(self) -> Words:
        """What to say of it in a text."""
        return self.said or self.words


_Finding = tuple[str, str, Phrase | None]
"""Of a check that refuses: field, words, and what is said in a text."""


def check_plan(
    plan: DivePlan, now: datetime, grace: timedelta | None = None, *, drill: bool = False
) -> tuple[Check, ...]:
    """Everything found about a plan, refusals first. Empty means nothing to say.

    `grace` is the grace period that will hold; the cross-checks need it for the raise-by time. A plan that is
    refused is not cross-checked: its figures may be impossible. In a drill nobody goes in, so that one phone may be
    the lead's and the only contact's.
    """
    of_pages = [*_check_site(plan), *_check_lengths(plan)]
    refusals: list[_Finding] = [
        *_check_party(plan),
        *_check_contacts(plan, drill=drill),
        *_check_times(plan, now),
        *((field, words, None) for field, words in of_pages),
    ]
    return tuple(
        [Check(Level.REFUSE, field, words, said) for field, words, said in refusals]
        + [Check(Level.ADVISE, field, words) for field, words in _advice(plan)]
        + [Check(Level.ADVISE, field, words) for field, words in ([] if refusals else _cross_checked(plan, grace))]
    )


def refusals(checks: tuple[Check, ...]) -> tuple[Check, ...]:
    """Those of `checks` that keep the plan from being filed."""
    return tuple(check for check in checks if check.level is Level.REFUSE)


def _is_blank(name: str) -> bool:
    """Whether nothing of it can be seen: a text would name nobody."""
    return not any(character.isprintable() and not character.isspace() for character in name)


def _check_party(plan: DivePlan) -> list[_Finding]:
    if not plan.party:
        return [("party", "Name at least one diver.", None)]
    found: list[_Finding] = []
    if plan.lead.phone is None:
        found.append(("lead", "The lead diver needs a mobile number: it runs the clock.", None))
    if any(_is_blank(diver.name) for diver in plan.party):
        found.append(("party", "Give every diver a name; rescuers ask for it.", None))
    if len(plan.party) > PARTY_MAX:
        said = say("A plan holds at most {most} divers: file one for each group.", most=PARTY_MAX)
        found.append(("party", f"A plan holds at most {PARTY_MAX} divers. File one plan for each group.", said))
    phones = [diver.phone for diver in plan.party if diver.phone]
    if len(set(phones)) < len(phones):
        found.append(("party", "Two divers have the same number. Give each their own, or leave one empty.", None))
    return found


def _check_contacts(plan: DivePlan, *, drill: bool) -> list[_Finding]:
    if not plan.contacts:
        return [("contacts", "Name at least one person ashore who will raise the alarm.", None)]
    found: list[_Finding] = []
    if not drill and all(map(plan.dives_too, plan.contacts)):
        words = "Your contacts are all in the water with you. Name somebody who stays ashore."
        found.append(("contacts", words, say("Your contacts all dive with you: name somebody who stays ashore.")))
    if any(_is_blank(contact.name) for contact in plan.contacts):
        found.append(("contacts", "Give every contact a name, so that the others know who is meant.", None))
    if len(plan.contacts) > CONTACTS_MAX:
        found.append(("contacts", f"A plan holds at most {CONTACTS_MAX} contacts.", None))
    if len({contact.phone for contact in plan.contacts}) < len(plan.contacts):
        found.append(("contacts", "Two contacts have the same number. Give each number once.", None))
    return found


def _check_times(plan: DivePlan, now: datetime) -> list[_Finding]:
    found: list[_Finding] = []
    if not RUN_TIME_MIN <= plan.run_time <= RUN_TIME_MAX:
        shortest, longest = minutes(RUN_TIME_MIN), minutes(RUN_TIME_MAX)
        words = (
            f"Run time is from {shortest} to {longest} minutes, from entry to being out. A second dive needs its own."
        )
        said = say("Run time is {shortest} to {longest} minutes.", shortest=shortest, longest=longest)
        found.append(("run_time", words, said))
    if plan.time_in_at is not None and plan.time_in_at < now - PAST_ALLOWED:
        found.append(
            (
                "time_in",
                "That time in has passed. Give a later one, or leave it empty and send IN when you go in.",
                say("That time has passed. Give a later one."),
            )
        )
    if plan.time_in_at is not None and plan.time_in_at > now + AHEAD_ALLOWED:
        found.append(("time_in", f"A plan can be filed at most {AHEAD_ALLOWED.days} days ahead.", None))
    return found


def _check_site(plan: DivePlan) -> list[tuple[str, str]]:
    found = []
    if _is_blank(plan.site.name):
        found.append(("site", "Say where you dive: a site of the club, or a name and a position."))
    if not is_zone(plan.site.zone):
        found.append(("site", "The site has no time zone that we know. Ask a club admin to set it."))
    if not plan.site.rescue_call.strip():
        found.append(("rescue_call", "Say whom your contacts are to call for rescue at this place."))
    return found


def _check_lengths(plan: DivePlan) -> list[tuple[str, str]]:
    names = [("party", d.name) for d in plan.party] + [("contacts", c.name) for c in plan.contacts]
    names += [("site", plan.site.name)]
    words = [("vehicle", plan.vehicle), ("kit", plan.kit), ("smb", plan.smb), ("notes", plan.notes)]
    words += [("medical", plan.medical)]
    found = [(field, f"Keep it to {NAME_MAX} characters.") for field, text in names if len(text) > NAME_MAX]
    found += [(field, f"Keep it to {WORDS_MAX} characters.") for field, text in words if text and len(text) > WORDS_MAX]
    # It goes whole into every alarm, in the alphabet of texts, where one letter may become several.
    if septets(to_gsm7(plan.site.rescue_call)) > NAME_MAX:
        found.append(("rescue_call", f"Keep it to {NAME_MAX} letters and digits, as a text has them."))
    if plan.depth_m is not None and not _is_depth(plan.depth_m):
        found.append(("depth_m", f"Give the planned depth in metres, up to {DEPTH_MAX_M}."))
    if plan.water_c is not None and not WATER_MIN_C <= plan.water_c <= WATER_MAX_C:
        found.append(("water_c", f"Give the water temperature in degrees Celsius, {WATER_MIN_C} to {WATER_MAX_C}."))
    return found


def _is_depth(depth_m: float) -> bool:
    return 0 < depth_m <= DEPTH_MAX_M


def _advice(plan: DivePlan) -> list[tuple[str, str]]:
    found = []
    if len({name.strip().casefold() for name in plan.exits}) < EXITS_ADVISED:
        found.append(("exits", "Name two different exits: if one closes, the other is where they will look next."))
    found += [
        ("contacts", f"{contact.name} dives with you and cannot raise the alarm.")
        for contact in plan.contacts
        if plan.dives_too(contact)
    ]
    if len(plan.contacts) == 1:
        found.append(("contacts", "One contact only: if that phone is off, nobody hears. Name a second."))
    if len(plan.party) == 1:
        found.append(("party", "You dive alone. Follow your training and local rules about it."))
    return found


def _cross_checked(plan: DivePlan, grace: timedelta | None) -> list[tuple[str, str]]:
    due_out_at = None if plan.time_in_at is None else plan.time_in_at + plan.run_time
    given = CrossCheckInput(
        run_time=plan.run_time,
        zone=plan.site.zone,
        time_in_at=plan.time_in_at,
        due_out_at=due_out_at,
        raise_by_at=None if due_out_at is None or grace is None else due_out_at + grace,
        depth_m=plan.depth_m,
        gas=plan.gas,
        entry=plan.site.entry,
        tides=plan.site.tides,
        water_c=plan.water_c,
    )
    choices = exits_for(plan.site, plan.site.entry, plan.site.current, due_out_at, plan.exits)
    advice = [("exits", words) for words in exit_advice(choices)]
    return advice + [(check.field, check.words) for check in cross_checks(given)]
