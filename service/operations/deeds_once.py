"""A plan or a deed that a script sends again, since no answer came: under the same key it is done once.

The key is kept with the dive in the transaction of the deed, so that either both are there or neither. What was
refused has done nothing and leaves its key free.

No mistake with keys keeps an alarm from being raised: under the key of something else it goes out all the same.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from sqlalchemy.orm import Session

from service.domain.dive import Command, Dive, Phase
from service.domain.dive.commands import RaiseNow
from service.domain.people import Actor
from service.operations.filing import PlanFiled, PlanRefused, file_in
from service.operations.plan_reading import PlanRequest
from service.operations.recording import Applied, apply_to
from service.operations.service import Service
from service.store import clubs, deed_keys, dives
from service.store.deed_keys import Asked
from service.store.dives import SCRIPT_KEYS


@dataclass(frozen=True, slots=True)
class Once:
    """Under which key a deed is asked for; `whose` tells the scripts of a club apart, which may count alike."""

    whose: str
    key: str
    asked: Asked

    @property
    def kept_as(self) -> str:
        """As it is kept with the dive."""
        return f"{self.whose}:{self.key}"


@dataclass(frozen=True, slots=True)
class KeyUsed:
    """Nothing was done: the key is that of another request, for that deed to the dive."""

    deed: str


@dataclass(frozen=True, slots=True)
class OverSince:
    """Nothing was done: the alarm was raised under this key, and the dive has ended since."""


def file_once(
    service: Service, club_id: str, request: PlanRequest, by: Actor, key: str, asked: Asked
) -> PlanFiled | PlanRefused | KeyUsed:
    """File a plan for a club, unless one was filed under that key already. Raises LookupError for no such club.

    A key of plans is the club's: whichever of its scripts sends it again, nobody goes in twice for one plan.
    """
    now = service.clock.now()
    kept_as = f"{SCRIPT_KEYS}{key}"

    def work(session: Session) -> PlanFiled | PlanRefused | KeyUsed:
        club = clubs.get(session, club_id)
        if club is None:
            raise LookupError(f"no club {club_id}")
        filed = file_in(service, session, club, request, by, now, request_key=kept_as)
        if isinstance(filed, PlanRefused):
            return filed
        if not filed.again:
            deed_keys.add(session, filed.dive.id, kept_as, asked, now)
            return filed
        before = deed_keys.find(session, filed.dive.id, kept_as)
        return filed if before in (None, asked) else KeyUsed(asked.deed)

    filed = service.write(work)
    if isinstance(filed, PlanFiled):
        service.nudge()
    return filed


def act_once(service: Service, dive_id: str, command: Command, once: Once) -> Applied | KeyUsed | OverSince | None:
    """One command in one transaction, unless it was done under the same key already.

    None when there is no such dive. Raises UnreadableDive.
    """
    now = service.clock.now()

    def work(session: Session) -> Applied | KeyUsed | OverSince | None:
        dive = dives.lock(session, dive_id)
        if dive is None:
            return None
        before = deed_keys.find(session, dive_id, once.kept_as)
        if before == once.asked:
            return _done_before(dive, command)
        if before is not None and not isinstance(command, RaiseNow):
            return KeyUsed(before.deed)
        return _do(service, session, dive, command, now, None if before else once)

    done = service.write(work)
    if isinstance(done, Applied) and done.events:
        service.nudge()
    return done


def _done_before(dive: Dive, command: Command) -> Applied | OverSince:
    """It has been done; but a dive that is over is no alarm that is up, and whether it is meant anew nobody knows."""
    return OverSince() if isinstance(command, RaiseNow) and dive.phase is Phase.CLOSED else Applied(dive, ())


def _do(service: Service, session: Session, dive: Dive, command: Command, now: datetime, once: Once | None) -> Applied:
    applied = apply_to(service, session, dive, command, now)
    if once is not None and applied.refusal is None:
        deed_keys.add(session, dive.id, once.kept_as, once.asked, now)
    return applied
