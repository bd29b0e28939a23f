"""Taking a plan: from a form, a script or a text, by the same checks and the same way in."""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.domain import codes
from service.domain.dive import Dive, Event, Refusal, decide, evolve, next_due_at
from service.domain.dive.commands import FilePlan, NoteUnreachable, Start
from service.domain.dive.events import Filed, Started
from service.domain.dive.state import REOPEN_WITHIN
from service.domain.people import Actor, Channel, Via, contact_key
from service.domain.plan import Check, DivePlan
from service.domain.sending import Sort
from service.domain.standing import ContactKnown, contact_checks
from service.domain.wording import messages_for
from service.domain.wording.drafts import MessageKind
from service.operations.plan_reading import PlanReading, PlanRequest, read_plan
from service.operations.proof_of_reach import contacts_held, contacts_known, known_of_plan, lost, newcomers
from service.operations.recording import apply_to
from service.operations.sending_bounds import held
from service.operations.service import Service
from service.operations.telling import log_and_queue
from service.store import clubs, dives, reaches
from service.store.tables.club import ClubRow

SENDING = "sending"  # the field of a check that is about a bound on sending
CODE_DRAWS = 50
REFERENCE_DRAWS = 200
# A text may be under way for hours: what was meant for a dive that is over is not to be taken for the next one.
REFERENCE_REST = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class PlanFiled:
    """A plan that is in; `again`: the same request had been filed before, and this is that dive."""

    dive: Dive
    checks: tuple[Check, ...]
    again: bool = False


@dataclass(frozen=True, slots=True)
class PlanRefused:
    """A plan that is not in, with what to mend, field by field."""

    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class Preview:
    """What would happen: the dive as if it started at its time in (or now), and what each contact would be told.

    Without e-mails, which say the same and more.
    """

    dive: Dive
    checks: tuple[Check, ...]
    contact_texts: tuple[tuple[str, str], ...]  # name, text


def file_plan(
    service: Service,
    club_id: str,
    request: PlanRequest,
    by: Actor,
    *,
    request_key: str | None = None,
    drill: bool = False,
    by_anybody: bool = False,
) -> PlanFiled | PlanRefused:
    """File a plan for a club. Asked twice with one `request_key`, files once. Raises LookupError for no such club.

    `by_anybody`: it comes by a form that is open to everybody, so that the bounds on sending may refuse it.
    """
    now = service.clock.now()

    def work(session: Session) -> PlanFiled | PlanRefused:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        return file_in(
            service, session, club, request, by, now, request_key=request_key, drill=drill, by_anybody=by_anybody
        )

    filed = service.write(work)
    if isinstance(filed, PlanFiled):
        service.nudge()
    return filed


def file_in(
    service: Service,
    session: Session,
    club: ClubRow,
    request: PlanRequest,
    by: Actor,
    now: datetime,
    *,
    request_key: str | None = None,
    drill: bool = False,
    starting: bool = False,
    by_anybody: bool = False,
    said_at: datetime | None = None,
) -> PlanFiled | PlanRefused:
    """File within a transaction that is open already. `starting`: a start of the same word follows in it.

    `said_at`: when it was said, where it reached us later; the plan is checked as of then.
    """
    earlier = _earlier(session, club, request_key)
    if earlier is not None:
        found = known_of_plan(session, club, earlier.plan, now, drill=earlier.drill)
        return PlanFiled(earlier, contact_checks(found, now), again=True)
    reading = read_plan(
        session, club, request, now, service.channels, own=service.own_numbers, drill=drill, said_at=said_at
    )
    if reading.plan is None or reading.refused:
        return PlanRefused(reading.checks)
    known = contacts_held(session, club, reading.plan.contacts, now)
    new = newcomers(reading.plan.contacts, known)
    sort = _sort(by, drill=drill, by_anybody=by_anybody)
    bounded = _bounded(service, session, club, reading.plan, new, now, sort=sort)
    if bounded is not None and bounded.sort is not Sort.INTRODUCTION:
        return PlanRefused((*reading.checks, reading.refusal(bounded.words, SENDING)))
    # Who cannot be told today what a contact does is still new tomorrow. The plan itself needs no introduction.
    new = new if bounded is None else ()
    calls = Channel.CALL in service.channels
    command = _command(session, club, reading, by, now, drill=drill, calls=calls, new=new)
    if starting:
        silent = [key for key, _ in lost(known)]
        keys = (contact_key(place) for place in range(len(known)))
        command = replace(command, telling=tuple(key for key in keys if key not in silent))
    decision = decide(None, replace(command, said_at=said_at), now)
    if isinstance(decision, Refusal):
        return PlanRefused((*reading.checks, reading.refusal(decision.words)))
    dive = evolve(None, decision[0])
    dives.add(
        session,
        dive,
        receiving_number=club.receiving_number,
        site_id=reading.site_id,
        request_key=request_key,
        next_due_at=next_due_at(dive),
    )
    session.flush()
    for key in log_and_queue(service, session, dive, decision[0], now):
        dive = apply_to(service, session, dive, NoteUnreachable(person=key, reason="opted_out"), now).dive
    return PlanFiled(_knowing(service, session, dive, decision[0], known, now), reading.checks)


@dataclass(frozen=True, slots=True)
class _Bounded:
    """A bound on sending that a plan meets, and what to say of it."""

    sort: Sort
    words: str


def _sort(by: Actor, *, drill: bool, by_anybody: bool) -> Sort:
    if drill and by.via is not Via.COMMAND:  # the daily test of a club is no drill that somebody begins
        return Sort.DRILL
    return Sort.PLAN if by_anybody else Sort.INTRODUCTION


def _bounded(
    service: Service, session: Session, club: ClubRow, plan: DivePlan, new: Sequence[str], now: datetime, *, sort: Sort
) -> _Bounded | None:
    """Whether the plan is one too many for the bounds on sending.

    A plan from a phone that the club knows, or by its script, is never refused for them; only introductions wait.
    """
    asked = [contact.phone for place, contact in enumerate(plan.contacts) if contact_key(place) in new]
    if sort is Sort.INTRODUCTION and not asked:
        return None
    lead = plan.party[0].phone
    phones = asked if lead is None or sort is not Sort.PLAN else [lead, *asked]
    parts = 0 if sort is Sort.DRILL else len(phones) + len(asked)  # an introduction has two parts
    found = held(service, session, club, sort, [] if sort is Sort.DRILL else phones, parts, now)
    if found is None:
        return None
    if sort is Sort.DRILL:
        return _Bounded(sort, f"No drill was begun: {found.words}. The owners of the club can change that.")
    return _Bounded(
        sort,
        f"Nothing was filed: {found.words}. If the club knows your phone, text your plan to it. Else phone somebody"
        " ashore and tell them the plan.",
    )


def _knowing(
    service: Service, session: Session, dive: Dive, filed: Event, known: tuple[ContactKnown, ...], now: datetime
) -> Dive:
    """Newcomers are told once; to whom nothing is to go, the dive knows from the start, and its lead hears it dry."""
    asked = filed.newcomers if isinstance(filed, Filed) else ()
    phones = [contact.phone for contact in dive.contacts if contact.phone and contact.key in asked]
    reaches.note_asked(session, dive.club_id, phones, now)
    for key, reason in lost(known):
        dive = apply_to(service, session, dive, NoteUnreachable(person=key, reason=reason), now).dive
    return dive


def _earlier(session: Session, club: ClubRow, request_key: str | None) -> Dive | None:
    dive_id = dives.by_request_key(session, club.id, request_key) if request_key else None
    return dives.get(session, dive_id) if dive_id else None


def _command(
    session: Session,
    club: ClubRow,
    reading: PlanReading,
    by: Actor,
    now: datetime,
    *,
    drill: bool,
    calls: bool,
    new: tuple[str, ...],
) -> FilePlan:
    if reading.plan is None:
        raise ValueError("a plan that could not be read cannot be filed")
    length = codes.code_length(dives.live_codes(session, club.receiving_number) + 2)
    start = _draw_code(session, club.receiving_number, length, but="")
    finish = _draw_code(session, club.receiving_number, length, but=start)
    phones = [d.phone for d in reading.plan.party if d.phone] + [c.phone for c in reading.plan.contacts]
    taken = dives.references_of(session, club.receiving_number, phones, now - REFERENCE_REST)
    return FilePlan(
        by=by,
        dive_id=secrets.token_hex(8),
        club_id=club.id,
        club_name=club.name,
        reference=_draw_reference(taken, dives.references_of_club(session, club.id, now - REOPEN_WITHIN)),
        start_code=start,
        finish_code=finish,
        plan=reading.plan,
        grace=reading.grace,
        drill=drill,
        calls=calls,
        newcomers=new,
    )


def _draw_code(session: Session, receiving_number: str, length: int, but: str) -> str:
    """A code that is free at this number. At most one in a thousand is taken, so few draws are enough."""
    for _ in range(CODE_DRAWS):
        code = codes.make_code(secrets.randbelow(codes.payload_space(length)), length)
        if code != but and not dives.code_taken(session, receiving_number, code):
            return code
    raise RuntimeError("no free code was found: the code length does not fit the number of live dives")


def _draw_reference(taken: set[str], of_club: set[str]) -> str:
    """Two characters that no dive of these phones has, or had lately; if all are taken, any will be asked about.

    Nor, as long as there are such, any dive of the club that is open, or that a call for help may open again: its
    admins answer the alarms of all.
    """
    reference = codes.make_reference(secrets.randbelow(codes.REFERENCE_SPACE))
    for avoided in (taken | of_club, taken):
        for _ in range(REFERENCE_DRAWS):
            if reference not in avoided:
                return reference
            reference = codes.make_reference(secrets.randbelow(codes.REFERENCE_SPACE))
    return reference


def preview(service: Service, club_id: str, request: PlanRequest, by: Actor) -> Preview | PlanRefused:
    """What filing would lead to, without filing: due out, raise-by time and the contacts' texts, word for word.

    Raises LookupError for no such club.
    """
    now = service.clock.now()

    def work(session: Session) -> Preview | PlanRefused:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        reading = read_plan(session, club, request, now, service.channels, own=service.own_numbers)
        if reading.plan is None or reading.refused:
            return PlanRefused(reading.checks)
        silent = [key for key, _ in lost(contacts_known(session, club, reading.plan.contacts, now))]
        return _imagined(club, reading, by, now, silent, calls=Channel.CALL in service.channels)

    return service.read(work)


def _imagined(
    club: ClubRow, reading: PlanReading, by: Actor, now: datetime, silent: list[str], *, calls: bool
) -> Preview | PlanRefused:
    if reading.plan is None:
        return PlanRefused(reading.checks)
    # The codes and the reference are drawn when the plan is filed; these only hold their places.
    command = FilePlan(
        by=by,
        dive_id="preview",
        club_id=club.id,
        club_name=club.name,
        reference="2A",
        start_code="000000",
        finish_code="000000",
        plan=reading.plan,
        grace=reading.grace,
        calls=calls,
    )
    filed = decide(None, command, now)
    if isinstance(filed, Refusal) or not isinstance(filed[0], Filed):
        return PlanRefused(reading.checks)
    dive = evolve(None, filed[0])
    begins = reading.plan.time_in_at or now
    started = decide(dive, Start(by=by), begins)
    if isinstance(started, Refusal) or not isinstance(started[0], Started):
        return PlanRefused(reading.checks)
    dive = evolve(dive, started[0])
    drafts = messages_for(dive, started[0])
    direct = [d for d in drafts if d.kind is MessageKind.START_NOTICE and d.channel is not Channel.EMAIL]
    notices = [d for d in direct if d.to.key not in silent]
    texts = [(d.to.name, d.text) for d in notices]
    return Preview(dive, reading.checks, tuple(texts))
