"""A plan by text, from a phone the club knows, with that person's usual contacts."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, time
from zoneinfo import ZoneInfo

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.dive.refusals import no_such_time
from service.domain.local_time import LocalTimeError, instant, next_instant
from service.domain.people import Actor, Role, Via
from service.domain.plan import PAST_ALLOWED, refusals
from service.domain.standing import unproven
from service.domain.texts import Intent
from service.domain.texts.days import date_of
from service.domain.texts.examples import people as people_of
from service.domain.wording import general
from service.operations.contact_reading import NamedPhone, club_language, usual_contact
from service.operations.filing import PlanFiled, file_in
from service.operations.plan_reading import PlanRequest
from service.operations.proof_of_reach import known_of_plan
from service.operations.service import Service
from service.store import people, sites
from service.store.dives import PhoneMatch
from service.store.tables import PersonRow
from service.store.tables.club import ClubRow


def file_by_text(
    service: Service,
    session: Session,
    club: ClubRow,
    phone: str,
    intent: Intent,
    words: str,
    now: datetime,
    *,
    said_at: datetime,
    before: Sequence[PhoneMatch],
) -> tuple[str | None, str | None]:
    """File it; gives what to answer and the dive. `before`: the dives of that phone.

    The filed plan answers for itself, so None, but where `advice_on` has something to say. What lay
    somewhere is a plan for the day on which it was said: that the party went in meanwhile is what it is for.
    """
    person = people.by_phone(session, club.id, phone)
    if person is None:
        return general.plan_unknown_phone(club.name, service.public_url, club_language(club)), None
    language = person.language or club_language(club)
    if not person.usual_contacts:
        return general.plan_without_contacts(club.name, service.public_url, language), None
    intent = _as_called_here(session, club, intent)
    site = sites.find(session, club.id, intent.site or "")
    zone = site.zone if site else club.zone
    if _may_be_two_days(intent, zone, said_at):
        return general.plan_of_which_day(club.name, _without_day(intent), language), None
    try:
        time_in_at = _time_in(intent, zone, said_at)
    except LocalTimeError as error:
        return general.plan_refused(club.name, no_such_time(intent.time_in or "", error), language), None
    request = usual_request(person, intent, time_in_at)
    filed = file_in(service, session, club, request, lead_of(person, words), now, said_at=said_at)
    if isinstance(filed, PlanFiled):
        return advice_on(session, club, filed.dive, now, before), filed.dive.id
    return general.plan_refused(club.name, refusals(filed.checks)[0].in_text, language), None


def _as_called_here(session: Session, club: ClubRow, intent: Intent) -> Intent:
    """The plan, where what looks like its day belongs to the name of a site of the club: `PLAN BLUE SUNDAY 1000`."""
    named = f"{intent.site} {intent.day}"
    if intent.day is None or sites.find(session, club.id, named) is None:
        return intent
    return replace(intent, site=named, day=None)


def _may_be_two_days(intent: Intent, zone: str, said_at: datetime) -> bool:
    local = said_at.astimezone(ZoneInfo(zone))
    return intent.day is not None and date_of(intent.day, local.date(), local.hour) is None


def _without_day(intent: Intent) -> str:
    """The text that files the same for the next such time."""
    time_in, depth = (intent.time_in or "").replace(":", ""), f" D{intent.depth_m:g}" if intent.depth_m else ""
    return f"PLAN {intent.site} {time_in} {intent.minutes} {people_of(intent.count or 1)}{depth}"


def how_to_plan(session: Session, club: ClubRow, words: str, language: str) -> str:
    """What a plan by text is made of, with the site that these words name, else one of the club's."""
    return general.plan_incomplete(club.name, example_site(session, club, words), language)


def example_site(session: Session, club: ClubRow, words: str) -> str:
    """The code of the site that these words name, else of one of the club's."""
    known = sites.listing(session, club.id)
    named = (sites.find(session, club.id, word) for word in words.split())
    site = next((one for one in named if one is not None), known[0] if known else None)
    return site.code if site else "SITE"


def usual_request(person: PersonRow, intent: Intent, time_in_at: datetime | None = None) -> PlanRequest:
    """The plan that a text is from somebody whom the club knows: the others of the party have no names in it."""
    return PlanRequest(
        site=intent.site or "",
        run_time_min=intent.minutes or 0,
        lead=NamedPhone(person.name, person.phone, language=person.language),
        party=tuple(NamedPhone(f"Diver {number}") for number in range(2, (intent.count or 1) + 1)),
        contacts=tuple(usual_contact(one) for one in person.usual_contacts),
        time_in_at=time_in_at,
        depth_m=intent.depth_m,
    )


def lead_of(person: PersonRow, words: str) -> Actor:
    """Who files a plan by text."""
    return Actor(Role.DIVER, person.name, Via.TEXT, key="diver-0", phone=person.phone, words=words)


def advice_on(session: Session, club: ClubRow, dive: Dive, now: datetime, before: Sequence[PhoneMatch]) -> str | None:
    """What to do where nothing proves that any contact can be reached, or where another plan of theirs waits.

    Whoever changes their mind files again. The first plan would be taken for started while they dive by the second.
    """
    advice = unproven(known_of_plan(session, club, dive.plan, now, drill=dive.drill), now)
    if advice is not None:
        return general.plain(club.name, advice, dive.lead.language)
    waiting = plans_of(before)
    return general.filed_too(waiting[0], now, dive.lead.language) if waiting else None


def plans_of(matches: Sequence[PhoneMatch]) -> list[Dive]:
    """The plans that wait for their start and run by that phone; the soonest first, those without a time in last."""
    plans = [
        match.dive
        for match in matches
        if match.phase == Phase.FILED and match.dive.lead.key in match.keys and not match.dive.drill
    ]
    return sorted(plans, key=lambda one: one.plan.time_in_at or datetime.max.replace(tzinfo=UTC))


def _time_in(intent: Intent, zone: str, said_at: datetime) -> datetime | None:
    """The word "now" leaves the time open: the clock starts with IN, not with a guess.

    A time that has just passed is today's, not tomorrow's: it takes a while to type a plan.
    """
    if intent.time_in is None or intent.time_in == "now":
        return None
    if intent.day is not None:
        local = said_at.astimezone(ZoneInfo(zone))
        day = date_of(intent.day, local.date(), local.hour) or local.date()
        return instant(day, time.fromisoformat(intent.time_in), zone)
    return next_instant(intent.time_in, zone, said_at - PAST_ALLOWED)
