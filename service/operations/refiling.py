"""Filing a plan in place of one that was filed before: the new one is in and the old one off, or neither."""

from __future__ import annotations

from dataclasses import dataclass

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import CallOff
from service.domain.people import Actor, Role, Via
from service.operations.filing import PlanFiled, PlanRefused, file_in
from service.operations.plan_reading import PlanRequest
from service.operations.recording import apply_to, held
from service.operations.service import Service
from service.store import clubs, dives
from service.store.dives import UnreadableDive


@dataclass(frozen=True, slots=True)
class Refiled:
    """What became of the new plan, and the dive of the old one as it is now; None where it cannot be read or is none.

    The old one goes on where it was started meanwhile: then only a finish ends it.
    """

    filed: PlanFiled | PlanRefused
    earlier: Dive | None


def filed_under(service: Service, club_id: str, request_key: str) -> Dive | None:
    """The dive that was filed by that request of the club; None for none, and for one that cannot be read."""

    def work(session: Session) -> Dive | None:
        dive_id = dives.by_request_key(session, club_id, request_key)
        try:
            return None if dive_id is None else dives.get(session, dive_id)
        except UnreadableDive:
            return None

    return service.read(work)


def file_instead(
    service: Service, club_id: str, request: PlanRequest, by: Actor, *, request_key: str, earlier_key: str
) -> Refiled:
    """File a plan by a form that is open to everybody, and call off what its earlier request filed.

    Asked twice with one `request_key`, all of it is done once. Raises LookupError for no such club.
    """
    now = service.clock.now()

    def work(session: Session) -> Refiled:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        filed = file_in(service, session, club, request, by, now, request_key=request_key, by_anybody=True)
        earlier = held(session, dives.by_request_key(session, club_id, earlier_key))
        if earlier is None or earlier.phase is not Phase.FILED or isinstance(filed, PlanRefused):
            return Refiled(filed, earlier)
        lead = earlier.lead
        caller = Actor(Role.DIVER, lead.name, Via.PAGE, key=lead.key, phone=lead.phone, words=by.words)
        return Refiled(filed, apply_to(service, session, earlier, CallOff(caller), now).dive)

    refiled = service.write(work)
    if isinstance(refiled.filed, PlanFiled):
        service.nudge()
    return refiled
