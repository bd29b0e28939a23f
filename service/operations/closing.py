"""Closing a dive on an admin's word: the ordinary way, and where its state cannot be read, by its bare columns.

Nobody's text or button can end a dive that cannot be read, so its plainest alarm would go on for ever.
"""

from __future__ import annotations

from collections.abc import Callable, Collection
from dataclasses import dataclass
from datetime import datetime
from functools import reduce
from typing import Any

from sqlalchemy.orm import Session

from service.domain.dive import Dive, Phase
from service.domain.dive.commands import CallOff, Refusal, ReportSafe
from service.domain.dive.events import Closed, Outcome
from service.domain.dive.evolve import evolve
from service.domain.people import Actor, Channel, Role, Via
from service.operations.desk_dives import desk_actor
from service.operations.plainest import end_unknown_alarms, stand_down
from service.operations.recording import SUPERSEDED_AT_CLOSE, apply_to
from service.operations.service import Service
from service.operations.signing_in import SignedIn
from service.operations.telling import actor_of
from service.store import admins, dives, log, opt_outs, outbox
from service.store.codec import dump_dive, dump_event, load_dive
from service.store.dives import UnreadableDive
from service.store.outbox import Message
from service.store.plain_columns import RowFacts, close_row, row_facts
from service.store.superseding import expire_answers, expire_superseded

REPLY = "reply"
FAULT_OVER = "fault_over"  # in the log


class CannotCloseError(Exception):
    """The dive was not closed; the message says why and what to do."""


@dataclass(frozen=True, slots=True)
class ClosedDive:
    """A dive that was closed: its reference, and whether it could be read."""

    reference: str
    readable: bool


def close_dive(service: Service, dive_id: str, admin_name: str, reason: str) -> ClosedDive:
    """Close a dive on an admin's word that nobody is missing, and tell whoever was told anything.

    Raises CannotCloseError: no such dive or admin, closed already, or refused by the rules.
    """
    return _closed(service, dive_id, lambda session, facts: _admin(session, facts, admin_name, reason), reason)


def close_at_desk(service: Service, admin: SignedIn, dive_id: str, reason: str) -> ClosedDive:
    """The same on the word of an admin at the desk of the dive's club. Raises CannotCloseError."""

    def by(_: Session, facts: RowFacts) -> Actor:
        if facts.club_id != admin.club_id:
            raise CannotCloseError(f"there is no dive {dive_id}")
        return desk_actor(admin, reason)

    return _closed(service, dive_id, by, reason)


def _closed(service: Service, dive_id: str, by: Callable[[Session, RowFacts], Actor], reason: str) -> ClosedDive:
    now = service.clock.now()
    done = service.write(lambda session: _close(service, session, dive_id, by, reason, now))
    if isinstance(done, Refusal):
        raise CannotCloseError(done.words)
    service.nudge()
    return done


def _close(
    service: Service,
    session: Session,
    dive_id: str,
    who: Callable[[Session, RowFacts], Actor],
    reason: str,
    now: datetime,
) -> ClosedDive | Refusal:
    try:
        dive = dives.lock(session, dive_id)
    except UnreadableDive:
        dive = None  # its row is locked all the same
    facts = row_facts(session, dive_id)
    if facts is None:
        raise CannotCloseError(f"there is no dive {dive_id}")
    by = who(session, facts)
    if facts.phase == Phase.CLOSED and _stood_down(service, session, facts, by, reason, now):
        return ClosedDive(facts.reference, readable=dive is not None)
    if dive is None:
        _close_unreadable(service, session, facts, by, reason, now)
        return ClosedDive(facts.reference, readable=False)
    command = CallOff(by) if dive.phase is Phase.FILED else ReportSafe(by, dive.head_count, reason)
    refusal = apply_to(service, session, dive, command, now).refusal
    return refusal or ClosedDive(facts.reference, readable=True)


def _stood_down(service: Service, session: Session, facts: RowFacts, by: Actor, reason: str, now: datetime) -> bool:
    """End the plainest alarm that somebody raised after the end, and that opened nothing; whether there was one."""
    waited = expire_superseded(session, [facts.dive_id], SUPERSEDED_AT_CLOSE, now)
    queued = end_unknown_alarms(session, facts.dive_id, facts.version, by, now)
    if waited or queued:
        _log(service, session, facts, FAULT_OVER, by, {"by": by.name, "reason": reason, "queued": queued}, now)
    return bool(waited or queued)


def _admin(session: Session, facts: RowFacts, name: str, reason: str) -> Actor:
    """The admin of that name. Without a phone: a command line proves none, and so its owner hears of it as well."""
    known = admins.listing(session, facts.club_id)
    for admin in known:
        if admin.name.casefold() == name.strip().casefold():
            return Actor(Role.ADMIN, admin.name, Via.COMMAND, key=f"{Role.ADMIN}-{admin.id}", words=reason)
    names = ", ".join(sorted(admin.name for admin in known)) or "none yet, add one by admin create"
    raise CannotCloseError(f"{facts.club_id} has no admin of that name; it has: {names}")


def _close_unreadable(
    service: Service, session: Session, facts: RowFacts, by: Actor, reason: str, now: datetime
) -> None:
    """What the rules would do if they could: the event, the columns, the stand-downs, in one transaction."""
    if facts.phase == Phase.CLOSED:
        raise CannotCloseError(f"dive {facts.reference} is closed already")
    event = Closed(at=now, by=by, outcome=Outcome.STOOD_DOWN, never_started=facts.phase == Phase.FILED, reason=reason)
    kind, detail = dump_event(event)
    version = facts.version + 1
    state = _state_by_the_log(session, facts, event)
    seq = _log(service, session, facts, f"{log.EVENT_PREFIX}{kind}", by, detail, now)
    close_row(session, facts.dive_id, at=now, outcome=event.outcome, version=version, state=state)
    expire_superseded(session, [facts.dive_id], SUPERSEDED_AT_CLOSE, now)
    waited = {one.message_id for one in expire_answers(session, {"": [facts.dive_id]}, now)}
    queued, deaf = [], []
    for message in _told(session, facts.dive_id, waited):
        mailed = message.channel == Channel.EMAIL
        if not mailed and opt_outs.is_opted_out(session, facts.receiving_number, message.phone):
            deaf.append(message.person_key)
            continue
        new = stand_down(facts, by.name, message, f"stand_down-{version}", now)
        message_id = outbox.queue(session, new)
        queued.append({"id": message_id, "person": new.person_key, "step": new.step, "kind": "STAND_DOWN"})
    told = {"cause": seq, "queued": queued, "opted_out": deaf}
    _log(service, session, facts, "messages", by, told, now)


def _log(
    service: Service, session: Session, facts: RowFacts, kind: str, by: Actor, detail: dict[str, Any], now: datetime
) -> int:
    return log.append(
        session,
        chain=log.dive_chain(facts.dive_id),
        at=now,
        kind=kind,
        actor=actor_of(service, by),
        detail=detail,
        dive_id=facts.dive_id,
        club_id=facts.club_id,
    )


def _told(session: Session, dive_id: str, waited: Collection[str]) -> list[Message]:
    """A message to each phone that was told anything but answers, or may have been, for each way.

    And one to each that waits for an answer, one of `waited`: it speaks of a dive that was not over.
    """
    every = outbox.of_dive(session, dive_id)
    tried = [message for message in every if message.attempts and message.kind != REPLY]
    asked = [message for message in every if message.id in waited]
    return list({(message.phone, message.channel): message for message in (*asked, *tried)}.values())


def _state_by_the_log(session: Session, facts: RowFacts, last: Closed) -> str | None:
    """The state that the log gives with that event, where the log can be read and is as long as the row says."""
    try:
        events = [event for _, event in log.events(session, facts.dive_id)]
        folded: Dive | None = reduce(evolve, [*events, last], None)
        state = None if folded is None else dump_dive(folded)
        readable = state is not None and load_dive(state) == folded
    except Exception:  # noqa: BLE001 - whatever is wrong with the log, the alarm has to end
        return None
    return state if readable and folded is not None and folded.version == facts.version + 1 else None
