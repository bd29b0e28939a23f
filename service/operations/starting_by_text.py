"""One text from the beach, such as IN LANTERN 50 P2: a plan with the sender's usual contacts, filed and started.

Only where the text names a site and no plan of the sender is open there: what was filed is what the contacts count on.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace
from datetime import timedelta
from difflib import get_close_matches

from service.domain.dive import Dive, Phase
from service.domain.dive import commands as do
from service.domain.dive.state import EARLIEST_IN, LIVE
from service.domain.local_time import minutes
from service.domain.people import Role
from service.domain.place.position import Position
from service.domain.plan import RUN_TIME_MIN, refusals
from service.domain.texts import Intent, Kind
from service.domain.wording import general, one_text
from service.operations.addressing import Answer, Text, at_site
from service.operations.choosing import is_exercise, is_far_off, meant_by, run_time_of
from service.operations.filing import PlanFiled, file_in
from service.operations.planning_by_text import advice_on, example_site, how_to_plan, lead_of, plans_of, usual_request
from service.operations.recording import apply
from service.store import people, sites
from service.store.dives import Match, PhoneMatch
from service.store.tables import PersonRow, SiteRow

FILED_BY_START = "plan and start by one text"
"""The note of a text that did both: words that came after it are about its dive, however late it was read."""

# A plan that an IN may be of; with a later one the IN is the first that is said twice, as no answer had come.
_ABOUT_TO_GO_IN = timedelta(minutes=30)
_NEAR_MAX = 3
_NEAR_ENOUGH = 0.6  # as difflib counts it: half of the letters in their order is too little, four of five are plenty


def start_by_text(text: Text, matches: Sequence[PhoneMatch]) -> Answer | None:
    """File and start, or say in one segment why not. None where the text can only mean a plan that is filed."""
    intent, matches = text.intent, [match for match in matches if not is_exercise(match)]
    if intent.site is None or intent.ref is not None or _is_filed_there(text, matches):
        return None
    if any(match.phase != Phase.CLOSED for match in text.unreadable):
        return None
    live = next((match for match in matches if match.phase in LIVE and _dives(match)), None)
    if live is not None:
        return Answer(one_text.start_while_in(live.dive, text.language), live.dive.id, note="another dive still runs")
    person = people.by_phone(text.session, text.club.id, text.phone)
    if person is None:
        # Whoever names only a site knows of a plan there; a whole start is from somebody who expects it to be enough.
        return _unknown(text) if intent.minutes is not None else None
    return _start(replace(text, language=person.language or text.language), person, matches)


def plan_not_whole(text: Text) -> Answer:
    """The answer to what is nearly a plan, from somebody who has no dive open."""
    words = how_to_plan(text.session, text.club, text.words, text.language)
    return Answer(words, note="a plan that is not whole")


def start_not_whole(text: Text, matches: Sequence[Match]) -> Answer | None:
    """The answer to a start, or what is nearly one, from somebody whom the club knows and who has no dive open.

    Of a dive of theirs that is over nothing is said: they go in again.
    """
    intent = text.intent
    starts = Kind.START in (intent.kind, intent.near) and intent.ref is None and intent.site is None
    if not starts or any(match.phase != Phase.CLOSED for match in matches):
        return None
    if people.by_phone(text.session, text.club.id, text.phone) is None:
        return None
    site = example_site(text.session, text.club, text.words)
    return Answer(one_text.start_not_whole(text.club.name, site, text.language), note="a start that is not whole")


def with_plan_left(text: Text, matches: Sequence[PhoneMatch], said_of: Dive, answered: Answer) -> Answer:
    """The answer to an IN, with the plan of the sender that it leaves waiting; `said_of` is its dive, as it was before.

    The OUT of the dive before may have been forgotten: nobody is to go in by a plan that only looks started. Or they
    changed their mind and filed again: the first plan would be taken for started while they dive.
    """
    intent = text.intent
    if intent.kind not in (Kind.START, Kind.CODE) or answered.note not in (None, "already_started"):
        return answered
    others = [one for one in plans_of(matches) if one.id != said_of.id]
    if said_of.phase is Phase.FILED:  # a plan without a time in is never taken for started
        left = [one for one in others if one.plan.time_in_at and one.plan.time_in_at <= text.now + EARLIEST_IN]
        words = general.filed_too(left[0], text.now, text.language) if left else _not_longer(text, said_of)
    elif said_of.live and intent.ref is None and intent.code is None:
        left = [one for one in others if (one.plan.time_in_at or text.now) <= text.now + _ABOUT_TO_GO_IN]
        words = general.left_waiting(said_of, left[0], text.now, text.language) if left else answered.words
    else:
        words = answered.words
    return replace(answered, words=words)


def _not_longer(text: Text, dive: Dive) -> str | None:
    """A run time past the plan's is not taken, and nobody is to count on it."""
    asked = run_time_of(text.intent)
    if asked is None or asked <= dive.plan.run_time:
        return None
    return one_text.start_not_longer(dive, asked, text.language)


def _is_filed_there(text: Text, matches: Sequence[PhoneMatch]) -> bool:
    own = [match for match in matches if _dives(match)]
    there = [match for match in at_site(text, meant_by(text.intent, own, Role.DIVER)) if match.phase != Phase.CLOSED]
    # Who dives there today as well has said for how long: tomorrow's plan is neither started by it nor used up.
    whole = text.intent.minutes is not None and text.intent.count is not None
    return any(not (whole and _is_for_later(match, text)) for match in there)


def _is_for_later(match: Match, text: Text) -> bool:
    waits = match.phase == Phase.FILED
    return waits and isinstance(match, PhoneMatch) and is_far_off(match, text.meant_at)


def _dives(match: PhoneMatch) -> bool:
    return any(key.startswith(Role.DIVER) for key in match.keys)


def _unknown(text: Text) -> Answer:
    words = one_text.start_unknown_phone(text.club.name, text.service.public_url, text.club.id, text.language)
    return Answer(words, note="start from a phone that is not known")


def _start(text: Text, person: PersonRow, before: Sequence[PhoneMatch]) -> Answer:
    session, club, intent = text.session, text.club, text.intent
    if not person.usual_contacts:
        words = one_text.start_without_contacts(club.name, text.service.public_url, text.language)
        return Answer(words, note="no usual contacts")
    site = sites.find(session, club.id, intent.site or "")
    if site is None:
        return _no_such_site(text)
    if intent.minutes is None or intent.count is None:
        return Answer(one_text.start_incomplete(club.name, site.code, text.language), note="minutes or count missing")
    lead = lead_of(person, text.words)
    request = usual_request(person, _still_to_go(text))
    filed = file_in(text.service, session, club, request, lead, text.now, starting=True)
    if not isinstance(filed, PlanFiled):
        why = refusals(filed.checks)[0].in_text
        return Answer(one_text.start_refused(club.name, why, text.language), note="start refused")
    position = None if intent.position is None else Position(*intent.position)
    start = do.Start(lead, position=position, accuracy_m=intent.accuracy_m)
    apply(text.service, session, filed.dive.id, start, text.now)
    return Answer(advice_on(session, club, filed.dive, text.now, before), filed.dive.id, note=FILED_BY_START)


def _still_to_go(text: Text) -> Intent:
    """A text that lay somewhere was sent when they went in: they are due out when they meant to be, not later."""
    if text.said_at is None or text.intent.minutes is None:
        return text.intent
    left = timedelta(minutes=text.intent.minutes) - (text.now - text.said_at)
    return replace(text.intent, minutes=max(minutes(left), minutes(RUN_TIME_MIN)))


def _no_such_site(text: Text) -> Answer:
    wanted, known = text.intent.site or "", sites.listing(text.session, text.club.id)
    near = _near(wanted, known)
    codes = ", ".join(site.code for site in near or known)
    words = one_text.start_unknown_site(text.club.name, wanted, codes, near=bool(near), language=text.language)
    return Answer(words, note="no such site")


def _near(wanted: str, known: Sequence[SiteRow]) -> list[SiteRow]:
    """The sites of which a name sounds like it, the likeliest first."""
    of_name = {name: site for site in known for name in _names(site)}
    close = get_close_matches(wanted.casefold(), of_name, n=2 * _NEAR_MAX, cutoff=_NEAR_ENOUGH)
    return list({of_name[name].id: of_name[name] for name in close}.values())[:_NEAR_MAX]


def _names(site: SiteRow) -> Iterator[str]:
    yield from (name.casefold() for name in (site.code, site.name, *site.aliases))
