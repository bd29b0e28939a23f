"""From what was typed to a plan: phones, site, times, with an answer for each field that cannot be read."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain.dialling import number_to_dial
from service.domain.dive.ticking import UNTIMED_PLAN_LASTS
from service.domain.gas import GasError, GasPlan
from service.domain.grace import GracePeriods
from service.domain.language import Name, Phrase, say
from service.domain.local_time import LocalTimeError, instant
from service.domain.people import Channel
from service.domain.phone import PhoneError, is_of_country
from service.domain.place.site import SitePlan
from service.domain.place.tide import KNOWN_GAP
from service.domain.plan import Check, DivePlan, Diver, Level, check_plan
from service.domain.standing import contact_checks
from service.operations.contact_reading import (
    NamedPhone,
    club_language,
    read_contacts,
    read_language,
    read_persons_phone,
)
from service.operations.gateway import OwnNumber
from service.operations.one_line import one_line
from service.operations.own_numbers import texted_to
from service.operations.place_reading import PlaceRequest, read_unknown_place
from service.operations.proof_of_reach import known_of_plan
from service.operations.sending_bounds import country_checks
from service.operations.service import TEXTS_ONLY
from service.store import sites
from service.store.tables.club import ClubRow
from service.store.tables.site import SiteRow

__all__ = ["GasRequest", "NamedPhone", "PlaceRequest", "PlanReading", "PlanRequest", "read_plan"]


@dataclass(frozen=True, slots=True)
class GasRequest:
    """Gas as typed: litres of water capacity, bar, bar, litres a minute at the surface."""

    cylinder_l: float
    fill_bar: float
    reserve_bar: float
    surface_rate_l_min: float


@dataclass(frozen=True, slots=True)
class PlanRequest:
    """A plan as it came in. Of the two times in at most one is given; the local one has no zone and is the site's."""

    site: str | PlaceRequest
    run_time_min: float
    lead: NamedPhone
    contacts: tuple[NamedPhone, ...]
    party: tuple[NamedPhone, ...] = ()  # the others; the lead is not among them
    time_in_at: datetime | None = None
    time_in_local: datetime | None = None
    grace_min: float | None = None
    depth_m: float | None = None
    gas: GasRequest | None = None
    exits: tuple[str, ...] = ()
    vehicle: str | None = None
    kit: str | None = None
    smb: str | None = None
    notes: str | None = None
    water_c: float | None = None
    medical: str | None = None
    share_medical: bool = False  # the diver allows that rescuers read `medical`; without it nothing of it is kept


@dataclass(frozen=True, slots=True)
class PlanReading:
    """What became of a request: a plan with its grace periods, or at least one refusing check."""

    plan: DivePlan | None
    grace: GracePeriods
    site_id: str | None
    checks: tuple[Check, ...]

    @property
    def refused(self) -> bool:
        """Whether a check keeps it from being filed."""
        return any(check.level is Level.REFUSE for check in self.checks)

    @staticmethod
    def refusal(words: str, field: str = "plan") -> Check:
        """One refusing check."""
        return Check(Level.REFUSE, field, words)


class _Findings:
    """Collects what is wrong, so that all of it is told at once."""

    def __init__(self) -> None:
        self.checks: list[Check] = []

    def refuse(self, field: str, words: str, said: Phrase | None = None) -> None:
        self.checks.append(Check(Level.REFUSE, field, words, said))

    def advise(self, field: str, words: str) -> None:
        self.checks.append(Check(Level.ADVISE, field, words))


def read_plan(
    session: Session,
    club: ClubRow,
    request: PlanRequest,
    now: datetime,
    channels: frozenset[Channel] = TEXTS_ONLY,
    *,
    own: Iterable[OwnNumber] = (),
    drill: bool = False,
    said_at: datetime | None = None,
) -> PlanReading:
    """Read a request against what the club knows; every wrong field gets its own check.

    `channels` are the ways to people that the service has, `own` what it sends from. `said_at`: when it was said, where
    that is not now.
    """
    wrong = _Findings()
    row, site = _site(session, club, request.site, wrong)
    site_id, zone = (row.id, row.zone) if row else (None, site.zone if site else club.zone)
    grace = _shortened(sites.grace_for(session, club.id, site_id), request.grace_min, wrong)
    ours = texted_to(session, own)
    party = _party(request, club, ours, wrong)
    contacts, about_ways = read_contacts(request.contacts, club, channels, ours)
    wrong.checks += about_ways
    run_time = _run_time(request.run_time_min, wrong)
    time_in_at = _time_in(request, zone, wrong)
    gas = _gas(request.gas, wrong)
    if row is not None and run_time is not None:
        site = sites.plan_of(session, row, _tides_around(time_in_at, run_time, now))
    if site is None or party is None or contacts is None or run_time is None:
        return PlanReading(None, grace, site_id, tuple(wrong.checks))
    plan = DivePlan(
        site=site,
        party=party,
        contacts=contacts,
        run_time=run_time,
        time_in_at=time_in_at,
        depth_m=request.depth_m,
        gas=gas,
        exits=tuple(name for one in request.exits if (name := one_line(one))),
        vehicle=_words(request.vehicle),
        kit=_words(request.kit),
        smb=_words(request.smb),
        notes=_words(request.notes),
        water_c=request.water_c,
        medical=_medical(request, wrong),
    )
    about_contacts = contact_checks(known_of_plan(session, club, plan, now, drill=drill), now)
    elsewhere = country_checks(session, club, _phones_named(plan))
    checked = check_plan(plan, said_at or now, grace.grace, drill=drill)
    checks = (*wrong.checks, *elsewhere, *checked, *_rescue_from_abroad(plan, club), *about_contacts)
    return PlanReading(plan, grace, site_id, checks)


def _rescue_from_abroad(plan: DivePlan, club: ClubRow) -> list[Check]:
    """Contacts from whose country the rescue call would reach somebody else: 112 in Spain is not 112 in Ireland."""
    call = number_to_dial(plan.site.rescue_call, club.country)
    if call is None or "+" in plan.site.rescue_call:
        return []
    return [
        Check(
            Level.ADVISE,
            "contacts",
            f"{contact.name} has a number of another country, and {call} called from there reaches another rescue"
            " service or none. Have a number with + and its country code in the rescue call, or name somebody in this"
            " country.",
        )
        for contact in plan.contacts
        if not is_of_country(contact.phone, club.country)
    ]


def _phones_named(plan: DivePlan) -> list[tuple[str, str, str]]:
    """The field, name and phone of everybody to whom something of this plan may go."""
    party = [("party" if place else "lead", diver.name, diver.phone) for place, diver in enumerate(plan.party)]
    contacts = [("contacts", contact.name, contact.phone) for contact in plan.contacts]
    return [(field, name, phone) for field, name, phone in (*party, *contacts) if phone]


def _words(text: str | None) -> str | None:
    return one_line(text) or None if text else None


def _site(
    session: Session, club: ClubRow, wanted: str | PlaceRequest, wrong: _Findings
) -> tuple[SiteRow | None, SitePlan | None]:
    """The club's site of that name, or the plan of a place that the club does not know; neither where it is refused."""
    if isinstance(wanted, PlaceRequest):
        site, checks = read_unknown_place(session, club, wanted)
        wrong.checks += checks
        return None, site
    row = sites.find(session, club.id, wanted)
    if row is None:
        known = ", ".join(site.code for site in sites.listing(session, club.id))
        name = wanted.strip()[:30] or "(empty)"
        said = say("No site {site} here. Sites: {names}.", site=Name(name), names=Name(known))
        wrong.refuse("site", f"{club.name} has no site {name}. Sites: {known}.", said)
    return row, None


def _tides_around(time_in_at: datetime | None, run_time: timedelta, now: datetime) -> tuple[datetime, datetime]:
    """Between which times high and low waters may matter to a dive, whenever it starts.

    On both sides so far that a height can be found at the ends too.
    """
    first = now if time_in_at is None else time_in_at
    last = first if time_in_at is not None else now + UNTIMED_PLAN_LASTS
    try:
        return first - KNOWN_GAP, last + run_time + KNOWN_GAP
    except OverflowError:
        return now, now  # at the end of time no tide is known, and the plan's own checks refuse it


def _medical(request: PlanRequest, wrong: _Findings) -> str | None:
    words = _words(request.medical)
    if words is not None and not request.share_medical:
        wrong.advise("medical", "Your medical notes were not kept, since you did not allow that rescuers read them.")
        return None
    return words


def _shortened(grace: GracePeriods, minutes: float | None, wrong: _Findings) -> GracePeriods:
    if minutes is None:
        return grace
    try:
        return grace.shortened(timedelta(minutes=minutes))
    except OverflowError:
        wrong.refuse("grace_min", "Give the grace period in minutes, not longer than the club's.")
    except ValueError as error:
        wrong.refuse("grace_min", str(error))
    return grace


def _party(request: PlanRequest, club: ClubRow, ours: Collection[str], wrong: _Findings) -> tuple[Diver, ...] | None:
    people = []
    for field, person in [("lead", request.lead), *(("party", other) for other in request.party)]:
        phone = None
        if person.phone and person.phone.strip():
            try:
                phone = read_persons_phone(person.phone, club, ours)
            except PhoneError as error:
                wrong.refuse(field, str(error) if field == "lead" else f"{person.name.strip() or 'A diver'}: {error}")
                continue
        try:
            language = read_language(person.language, club_language(club))
        except ValueError as error:
            wrong.refuse(field, str(error))
            continue
        people.append(Diver(one_line(person.name), phone, language))
    return tuple(people) if len(people) == 1 + len(request.party) else None


def _run_time(minutes: float, wrong: _Findings) -> timedelta | None:
    """No number at all, or one past all bounds; what is merely too long is for the checks of the plan."""
    try:
        return timedelta(minutes=minutes)
    except (OverflowError, ValueError):
        wrong.refuse("run_time", "Give the run time in minutes, from entry to being out.")
        return None


def _time_in(request: PlanRequest, zone: str, wrong: _Findings) -> datetime | None:
    if request.time_in_local is None:
        return request.time_in_at
    try:
        return instant(request.time_in_local.date(), request.time_in_local.time(), zone)
    except LocalTimeError as error:
        wrong.refuse("time_in", str(error))
    except OverflowError:
        wrong.refuse("time_in", "Give a time in within the next days.")
    return None


def _gas(given: GasRequest | None, wrong: _Findings) -> GasPlan | None:
    if given is None:
        return None
    try:
        return GasPlan(given.cylinder_l, given.fill_bar, given.reserve_bar, given.surface_rate_l_min)
    except GasError as error:
        wrong.refuse("gas", str(error))
        return None
