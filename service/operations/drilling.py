"""Exercises: begun for a site or a whole club, and ended.

A drill is made of dives like any other, each with its mark: the same plan, start, ladder, messages and answers, by the
same operations. Nothing here sends or waits for anything.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from functools import partial
from typing import Final

from sqlalchemy.orm import Session

from service.domain.dive.commands import Start
from service.domain.grace import GracePeriods
from service.domain.people import Actor, Role, Via
from service.domain.plan import refusals
from service.operations.contact_reading import NamedPhone
from service.operations.desk_log import note
from service.operations.drill_people import Player, Roll, roll
from service.operations.drill_watch import STOPPED, look_after_drill
from service.operations.filing import PlanRefused, file_in
from service.operations.plan_reading import PlanRequest
from service.operations.recording import apply_to
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.store import clubs, drills, sites
from service.store.drills import DrillRunsError
from service.store.tables import ClubRow, SiteRow

DRILLS_A_DAY: Final = 6
CONTACTS_MAX: Final = 20  # of a whole club: each has a dive of their own
DUE_OUT_MIN, DUE_OUT_MAX = 5, 60
APART: Final = timedelta(minutes=1)  # between the alerts of a whole club
AFTER_HAND_UP: Final = timedelta(minutes=15)  # then a drill ends by itself
AFTER_DISTRESS: Final = timedelta(minutes=10)  # the same, of a whole club
NOTES: Final = "A drill of the club. Nobody is in the water."
STARTED: Final = "drill_started"


@dataclass(frozen=True, slots=True)
class DrillWanted:
    """An exercise as asked for. `grace_min` None is the site's own; `contacts` are phones (E.164), first to last.

    For a `whole_club` the contacts are all those who agreed, and `contacts` is not looked at.
    """

    site: str
    player: str
    due_out_min: float
    grace_min: float | None = None
    contacts: tuple[str, ...] = ()
    whole_club: bool = False


@dataclass(frozen=True, slots=True)
class DrillStarted:
    """An exercise that runs; `left_out` names those for whom it could not, and why."""

    drill_id: str
    left_out: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class DrillRefused:
    """Nothing was begun: the field that is to be mended, and how."""

    field: str
    words: str


class _NotBegunError(Exception):
    """Takes back a transaction in which the exercise could not begin."""

    def __init__(self, refused: DrillRefused) -> None:
        super().__init__(refused.words)
        self.refused = refused


@dataclass(frozen=True, slots=True)
class _Ready:
    """What is to be filed: a request for each dive."""

    club: ClubRow
    site: SiteRow
    grace: GracePeriods
    requests: tuple[PlanRequest, ...]


def start_drill(service: Service, admin: SignedIn, wanted: DrillWanted) -> DrillStarted | DrillRefused:
    """Begin an exercise: its dives are filed and started, so that start notices go out at once.

    The first dive is one transaction with the exercise itself. Those of a whole club follow one by one, so that no
    real plan waits behind all of them, and end where the exercise has been ended meanwhile.
    """
    by = _by(admin, "Start the drill")
    try:
        drill_id, requests = service.write(partial(_begin, service, admin, wanted, by))
    except _NotBegunError as error:
        return error.refused
    left_out = []
    for number, request in enumerate(requests[1:], start=2):
        wrong = service.write(partial(_one_more, service, admin, drill_id, request, number, by))
        if wrong is not None:
            left_out.append(wrong)
    service.nudge()
    return DrillStarted(drill_id, tuple(left_out))


def stop_drill(service: Service, admin: SignedIn, drill_id: str) -> bool:
    """End an exercise of the admin's club; False where it has none of that id. Ended once is ended."""

    def work(session: Session) -> bool:
        drill = drills.get(session, admin.club_id, drill_id)
        if drill is None:
            return False
        if drills.let_end(session, drill_id, STOPPED, admin.name):
            note(service, session, admin, "drill_stopped", {"drill": drill_id})
        return True

    found = service.write(work)
    if found:
        look_after_drill(service, admin.club_id, drill_id, _by(admin, "End the drill"))
    return found


def _by(admin: SignedIn, words: str) -> Actor:
    return Actor(Role.ADMIN, admin.name, Via.PAGE, key=f"{Role.ADMIN}-{admin.admin_id}", words=words)


def _begin(
    service: Service, admin: SignedIn, wanted: DrillWanted, by: Actor, session: Session
) -> tuple[str, tuple[PlanRequest, ...]]:
    now = service.clock.now()
    ready = _ready(service, session, admin, wanted, now)
    phones = [person.phone for one in ready.requests for person in (one.lead, *one.contacts) if person.phone]
    _refuse_beside_real(session, ready, wanted, phones)
    last = timedelta(minutes=ready.requests[-1].run_time_min)
    after = ready.grace.distress_after + AFTER_DISTRESS if wanted.whole_club else ready.grace.hand_up_after
    try:
        drill = drills.add(
            session,
            club_id=admin.club_id,
            site_id=ready.site.id,
            site_name=ready.site.name,
            whole_club=wanted.whole_club,
            started_by=admin.name,
            now=now,
            ends_at=now + last + after + (timedelta() if wanted.whole_club else AFTER_HAND_UP),
        )
    except DrillRunsError:
        raise _no("site", "A drill of your club is running. End it first: nobody must be told two things.") from None
    if drills.started_since(session, admin.club_id, now - timedelta(days=1)) > DRILLS_A_DAY:
        raise _no("site", f"A club can begin {DRILLS_A_DAY} drills in 24 hours, and yours has.")
    wrong = _file(service, session, ready.club, drill.id, ready.requests[0], 1, by, now)
    if wrong is not None:
        raise _no("contacts", wrong)
    detail = {"drill": drill.id, "site": ready.site.code, "whole_club": wanted.whole_club, "dives": len(ready.requests)}
    note(service, session, admin, STARTED, detail)
    return drill.id, ready.requests


def _ready(service: Service, session: Session, admin: SignedIn, wanted: DrillWanted, now: datetime) -> _Ready:
    """What was asked for, checked field by field."""
    club = clubs.get(session, admin.club_id)
    if club is None:
        raise LookupError(f"no club {admin.club_id}")
    site = sites.by_code(session, club.id, wanted.site)
    if site is None or site.retired_at is not None:
        raise _no("site", "Choose one of the club's sites.")
    if not DUE_OUT_MIN <= wanted.due_out_min <= DUE_OUT_MAX:
        raise _no("due_out", f"Give {DUE_OUT_MIN} to {DUE_OUT_MAX} minutes until due out.")
    grace = sites.grace_for(session, club.id, site.id)
    if wanted.grace_min is not None:
        try:
            grace = grace.shortened(timedelta(minutes=wanted.grace_min))
        except (ValueError, OverflowError):
            longest = int(grace.grace.total_seconds() // 60)
            raise _no("grace", f"Give a grace period of 5 to {longest} minutes, or the site's own.") from None
    known = roll(service, session, club, admin, now)
    player = known.player(wanted.player)
    if player is None:
        raise _no("player", "Choose who plays the diver. Who is to be chosen needs a phone that the club knows.")
    return _Ready(club, site, grace, _requests(wanted, known, player, site.code))


def _requests(wanted: DrillWanted, known: Roll, player: Player, site: str) -> tuple[PlanRequest, ...]:
    """One dive with the contacts that were chosen; of a whole club one for each, a minute apart."""
    apart = APART.total_seconds() / 60
    if not wanted.whole_club:
        by_phone = {contact.phone: contact.person for contact in known.contacts}
        chosen = [by_phone[phone] for phone in wanted.contacts if phone in by_phone]
        if not chosen or len(chosen) < len(wanted.contacts):
            raise _no("contacts", "Choose at least one contact. Who declined or opted out cannot be chosen.")
        return (_request(wanted, player, chosen, site, 0),)
    agreed = [contact.person for contact in known.contacts if contact.agreed and contact.phone != player.person.phone]
    if not agreed:
        raise _no("contacts", "No contact of your club has agreed to be one, so there is nobody to tell.")
    if len(agreed) > CONTACTS_MAX:
        raise _no(
            "contacts",
            f"{len(agreed)} contacts have agreed, and a drill of the whole club tells {CONTACTS_MAX} at most. "
            "Begin drills for a site, with some of them each.",
        )
    return tuple(_request(wanted, player, [one], site, place * apart) for place, one in enumerate(agreed))


def _request(
    wanted: DrillWanted, player: Player, contacts: Sequence[NamedPhone], site: str, later: float
) -> PlanRequest:
    return PlanRequest(
        site=site,
        run_time_min=wanted.due_out_min + later,
        lead=player.person,
        contacts=tuple(contacts),
        grace_min=wanted.grace_min,
        notes=NOTES,
    )


def _refuse_beside_real(session: Session, ready: _Ready, wanted: DrillWanted, phones: Sequence[str]) -> None:
    """No exercise begins where a real alarm is up, nor with anybody whom one concerns."""
    place = None if wanted.whole_club else ready.site.id
    found = drills.real_alarm(session, ready.club.id, place)
    if found is not None:
        where = "in your club" if wanted.whole_club else "at this site"
        raise _no("site", f"A real alarm is up {where} (reference {found}). No drill begins beside one.")
    found = drills.real_alarm_of_people(session, ready.club.id, phones)
    if found is not None:
        raise _no("contacts", f"Somebody of those is in a real alarm now (reference {found}). Choose others, or wait.")
    # Their OUT could mean either, and a real clock would go on until they had said which.
    found = drills.real_dive_of(session, ready.club.id, ready.requests[0].lead.phone or "")
    if found is not None:
        raise _no("player", f"Who is to play the diver is on a real dive (reference {found}). Choose somebody else.")


def _one_more(
    service: Service, admin: SignedIn, drill_id: str, request: PlanRequest, number: int, by: Actor, session: Session
) -> str | None:
    """A further dive of an exercise that is not to end; otherwise nothing. Words where this one could not be filed."""
    drill, club = drills.get(session, admin.club_id, drill_id), clubs.get(session, admin.club_id)
    if drill is None or club is None or drill.ending is not None or drill.ended_at is not None:
        return None
    return _file(service, session, club, drill_id, request, number, by, service.clock.now())


def _file(
    service: Service,
    session: Session,
    club: ClubRow,
    drill_id: str,
    request: PlanRequest,
    number: int,
    by: Actor,
    now: datetime,
) -> str | None:
    """File and start one dive; words where it is refused."""
    key = f"drill {drill_id} {number}"
    filed = file_in(service, session, club, request, by, now, request_key=key, drill=True, starting=True)
    if isinstance(filed, PlanRefused):
        return f"{request.contacts[0].name}: {refusals(filed.checks)[0].words}"
    drills.add_dive(session, drill_id, filed.dive.id, number)
    apply_to(service, session, filed.dive, Start(by), now)
    return None


def _no(field: str, words: str) -> _NotBegunError:
    return _NotBegunError(DrillRefused(field, words))
