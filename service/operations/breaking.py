"""The circuit breaker of each gateway, which all couriers share: works, rests, is tried once, works or rests longer.

A gateway that keeps failing is left alone while there is another, for 10 s, then 20 s, and so on to 5 min of real time.
When its rest is over, one courier tries it with one message. It is never left alone where it is the only one.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from enum import StrEnum

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.operations import service_log
from service.operations.gateway import Blame, Outcome, Refused, Unknown
from service.operations.service import Service
from service.operations.telling_admins import tell_admins
from service.operations.unknown_codes import note_unrecognised
from service.store import gateways, health
from service.store.gateways import GatewayState

_LOG = logging.getLogger(__name__)

FAULTS_MAX = 3
REST_S = 10.0  # real seconds, as the next two
REST_MAX_S = 300.0
TRIAL_S = 30.0  # longer than a call to a gateway may take (12 s) twice over
DOUBLINGS_MAX = 5  # 10 s doubled five times is past the longest rest
RELIEF_AFTER_S = 300.0  # real seconds: who is told of a fault is not told of every flicker after it
REASON_MAX = 200

RESTS, WORKS, SUSPECTED = "gateway_rests", "gateway_works", "gateway_suspect"
NO_DELIVERY = "it takes messages and no delivery is reported"

_TROUBLE = (RESTS, SUSPECTED)
_NOT_ITS_FAULT = (Blame.NUMBER, Blame.OPTED_OUT, Blame.FILTERED, Blame.NO_ROUTE)


class Standing(StrEnum):
    """How a gateway stands at an instant."""

    WORKING = "working"
    SUSPECT = "suspect"  # takes messages, but no receipt comes for any
    TRIAL_DUE = "trial due"
    ON_TRIAL = "on trial"
    RESTING = "resting"


_WILLING = {
    Standing.WORKING: 0,
    Standing.SUSPECT: 1,
    Standing.TRIAL_DUE: 2,
    Standing.ON_TRIAL: 3,
    Standing.RESTING: 3,
}


def standing(state: GatewayState, now: datetime) -> Standing:
    """How it stands. A trial whose courier never came back is due again."""
    if state.rests_until_at is None:
        return Standing.WORKING if state.suspect_at is None else Standing.SUSPECT
    if now < state.rests_until_at:
        return Standing.RESTING
    on_trial = state.trial_until_at is not None and now < state.trial_until_at
    return Standing.ON_TRIAL if on_trial else Standing.TRIAL_DUE


def after_outcome(state: GatewayState, outcome: Outcome, now: datetime, second: timedelta) -> GatewayState:
    """The state after an attempt, equal to the one before where nothing changes.

    `second` is how far the clock goes in a real second.
    """
    in_trouble = state.rests_until_at is not None
    if not _is_fault(outcome):
        if not in_trouble and not state.faults:
            return state
        since_at = now if in_trouble else state.since_at
        reason = NO_DELIVERY if state.suspect_at else None
        return GatewayState(state.name, reason=reason, since_at=since_at, suspect_at=state.suspect_at)
    if standing(state, now) is Standing.RESTING:
        return state  # a call from before the rest, or the only way there is: no news
    faults = max(state.faults + 1, FAULTS_MAX if _cannot_send(outcome) else 0)
    state = replace(state, faults=faults, reason=_reason(outcome))
    if faults < FAULTS_MAX:
        return state
    rest_s = min(REST_S * 2 ** min(faults - FAULTS_MAX, DOUBLINGS_MAX), REST_MAX_S)
    since_at = state.since_at if in_trouble else now
    return replace(state, since_at=since_at, rests_until_at=now + rest_s * second, trial_until_at=None)


def pick(
    service: Service, session: Session, states: dict[str, GatewayState], names: Sequence[str], *, urgent: bool
) -> str:
    """Which of these gateways, in their order of preference, is to take a message now.

    `states` is what `gateways.states` gave in this transaction; a trial that is taken here is noted in it. What is calm
    tries a gateway whose rest is over, and one that is suspect; what is urgent does so only where no other works.
    Where all rest, it is the one that is to be tried first.
    """
    now = service.clock.now()
    while True:
        name = min(names, key=lambda one: willing(states[one], now, urgent=urgent))
        if standing(states[name], now) is not Standing.TRIAL_DUE:
            return name
        until_at = now + TRIAL_S * _second(service)
        mine = gateways.take_trial(session, name, now, until_at)
        states[name] = replace(states[name], trial_until_at=until_at)
        if mine or len(names) == 1:
            return name


def note(service: Service, session: Session, name: str, outcome: Outcome, now: datetime) -> None:
    """Let all couriers know how an attempt went. To be called last in the transaction that records it.

    A success of a gateway that works is a read and no more. Whatever goes wrong here, the record of the attempt stands:
    else a message would be sent again because of it. A code that is in no table is made known too.
    """
    code = outcome.unrecognised if isinstance(outcome, Refused) else None
    if code is not None:
        apart(session, name, lambda: note_unrecognised(service, session, name, code, "answer", now))
    change(service, session, name, lambda state: after_outcome(state, outcome, now, _second(service)), now)


def change(
    service: Service, session: Session, name: str, then: Callable[[GatewayState], GatewayState], now: datetime
) -> None:
    """Change the state of a gateway, log it and tell of it; where nothing changes, it is a read and no more."""
    seen = gateways.states(session, [name])[name]
    if then(seen) == seen:
        return

    def work() -> None:
        before = gateways.lock(session, name)
        after = then(before)
        if after != before:
            gateways.save(session, after)
            _log_change(service, session, before, after, now)

    apart(session, name, work)


def apart(session: Session, name: str, work: Callable[[], None]) -> None:
    """Do what the rest of the transaction must not fail with."""
    try:
        with session.begin_nested():
            work()
    except Exception as error:
        if isinstance(error, DBAPIError) and error.connection_invalidated:
            raise
        _LOG.exception("gateway_state_not_noted", extra={"gateway": name})


def tell_relief(service: Service, names: Sequence[str]) -> None:
    """Tell the admins of each gateway that has worked for five minutes since they were told that it does not."""
    now = service.clock.now()
    steady_since = now - RELIEF_AFTER_S * _second(service)

    def work(session: Session) -> bool:
        found = [one for one in gateways.states(session, names).values() if _told(session, one.name) in _TROUBLE]
        relieved = [
            state
            for state in found
            if standing(state, now) is Standing.WORKING and (state.since_at is None or state.since_at <= steady_since)
        ]
        for state in relieved:
            _tell(session, WORKS, state.name, f"gateway {state.name} works again.", now)
        return bool(relieved)

    if service.write(work):
        service.nudge()


def _is_fault(outcome: Outcome) -> bool:
    if isinstance(outcome, Refused):
        return outcome.blame not in _NOT_ITS_FAULT
    return isinstance(outcome, Unknown)


def _cannot_send(outcome: Outcome) -> bool:
    """Account, credit, sender: more of the same is of no use."""
    return isinstance(outcome, Refused) and outcome.blame is Blame.GATEWAY


def _reason(outcome: Outcome) -> str | None:
    if isinstance(outcome, Refused):
        return f"{outcome.code}: {outcome.detail}"[:REASON_MAX]
    return outcome.detail[:REASON_MAX] if isinstance(outcome, Unknown) else None


def willing(state: GatewayState, now: datetime, *, urgent: bool) -> tuple[int, float]:
    """How gladly it is given a message: the lower, the rather. Among those that rest, the one whose rest ends first."""
    how = standing(state, now)
    if not urgent and how in (Standing.SUSPECT, Standing.TRIAL_DUE):
        return 0, 0.0
    return _WILLING[how], 0.0 if state.rests_until_at is None else state.rests_until_at.timestamp()


def _second(service: Service) -> timedelta:
    return timedelta(seconds=clock_seconds(service.clock, 1.0))


def _log_change(service: Service, session: Session, before: GatewayState, after: GatewayState, now: datetime) -> None:
    kind = _kind_of(before, after)
    if kind is None:
        return
    detail = {"gateway": after.name, "reason": after.reason, "faults": after.faults}
    service_log.note(service, session, kind, detail, now, role="gateway", name=after.name)
    if kind in _TROUBLE and _told(session, after.name) != kind:
        _tell(session, kind, after.name, _trouble(kind, after), now)


def _kind_of(before: GatewayState, after: GatewayState) -> str | None:
    """The word for a change that somebody wants to know of."""
    if after.rests_until_at != before.rests_until_at:
        return WORKS if after.rests_until_at is None else RESTS
    if after.suspect_at != before.suspect_at:
        return WORKS if after.suspect_at is None else SUSPECTED
    return None


def _trouble(kind: str, state: GatewayState) -> str:
    if kind == SUSPECTED:
        return (
            f"gateway {state.name} takes texts but reports no delivery. Alarms go by another way if any. Please look."
        )
    code = (state.reason or "").partition(":")[0][:40]
    return f"gateway {state.name} fails ({code}). Messages go by another way or are tried again. Please look."


def _told(session: Session, name: str) -> str | None:
    """What the admins last heard of this gateway."""
    last = health.heartbeat(session, f"told:gateway:{name}")
    return None if last is None else last.detail


def _tell(session: Session, kind: str, name: str, words: str, now: datetime) -> None:
    health.beat(session, f"told:gateway:{name}", now, kind)
    tell_admins(session, f"{kind}-{name}-{now:%Y%m%dT%H%M%S}", words, now)
