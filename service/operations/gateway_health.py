"""How each gateway stands, and why, in plain values: for the command line, the figures and the admins' pages."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.operations.breaking import RESTS, SUSPECTED, WORKS, Standing, standing
from service.operations.gateway import Described
from service.operations.gateway_canary import fault_of
from service.operations.service import Service
from service.operations.unknown_codes import CODE_MARK
from service.store import gateways, health, log
from service.store.gateways import Canary, GatewayState, Tally

LOOKS_BACK = timedelta(hours=24)
FAULTY = frozenset({Standing.RESTING, Standing.TRIAL_DUE, Standing.ON_TRIAL, Standing.SUSPECT})


@dataclass(frozen=True, slots=True)
class CanaryHealth:
    """The last test through a gateway: when, and what is wrong with it; `waits` while there is time yet."""

    sent_at: datetime
    fault: str | None
    waits: bool


@dataclass(frozen=True, slots=True)
class GatewayHealth:
    """One gateway now. `canary` is None where it is not tested, or was not yet.

    `reason` and `since_at` are for what is not well; `since_at` also tells since when it works again. `tally` counts
    the last 24 h; `delivered_share` is of what it accepted then, None where it sends no receipts or accepted nothing.
    """

    about: Described
    standing: Standing
    reason: str | None
    since_at: datetime | None
    canary: CanaryHealth | None
    tally: Tally

    @property
    def delivered_share(self) -> float | None:
        """From 0 to 1."""
        if not self.about.sends_receipts or not self.tally.accepted:
            return None
        return self.tally.delivered / self.tally.accepted

    @property
    def fault(self) -> str | None:
        """What is wrong with it, in words for whoever keeps the installation; None when nothing is."""
        if self.standing in FAULTY:
            return f"{self.standing}: {self.reason}"
        if self.canary is not None and self.canary.fault is not None:
            return f"the last test {self.canary.fault}"
        return None


@dataclass(frozen=True, slots=True)
class Loud:
    """How often gateways changed, by kind of log entry, and how many codes in no table came in the last 24 h."""

    changes: dict[str, int]
    unknown_codes: int


def what_was_loud(service: Service) -> Loud:
    """Counted from the log and the marks of what was told."""
    now = service.clock.now()

    def look(session: Session) -> Loud:
        codes = [mark for name, mark in health.heartbeats(session).items() if name.startswith(CODE_MARK)]
        return Loud(
            changes=log.counts(session, "service", (RESTS, SUSPECTED, WORKS)),
            unknown_codes=sum(now - mark.at < LOOKS_BACK for mark in codes),
        )

    return service.read(look)


def gateway_health(service: Service, described: Sequence[Described]) -> list[GatewayHealth]:
    """How each of these stands, in their order."""
    now = service.clock.now()
    second = timedelta(seconds=clock_seconds(service.clock, 1.0))
    names = [one.name for one in described]

    def look(session: Session) -> list[GatewayHealth]:
        states = gateways.states(session, names)
        canaries = gateways.last_canaries(session, names)
        tallies = gateways.tallies(session, now - LOOKS_BACK)
        return [
            _of(one, states[one.name], canaries.get(one.name), tallies.get(one.name, Tally()), now, second)
            for one in described
        ]

    return service.read(look)


def _of(
    about: Described, state: GatewayState, canary: Canary | None, tally: Tally, now: datetime, second: timedelta
) -> GatewayHealth:
    how = standing(state, now)
    return GatewayHealth(
        about=about,
        standing=how,
        reason=state.reason if how in FAULTY else None,
        since_at=state.since_at,
        canary=_canary(canary, now, second, sends_receipts=about.sends_receipts) if about.has_canary else None,
        tally=tally,
    )


def _canary(canary: Canary | None, now: datetime, second: timedelta, *, sends_receipts: bool) -> CanaryHealth | None:
    if canary is None:
        return None
    fault = fault_of(canary, now, second, sends_receipts=sends_receipts)
    done = canary.delivered_at is not None if sends_receipts else canary.outcome == "accepted"
    return CanaryHealth(canary.sent_at, fault, waits=fault is None and not done)
