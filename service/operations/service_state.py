"""How the service itself does, in few words for whoever watches a board: the sweep, the couriers, the gateways."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from service.clock import clock_seconds
from service.domain.people import Channel
from service.operations.breaking import Standing, standing
from service.operations.gateway import Described
from service.operations.gateway_health import FAULTY
from service.operations.health import Lateness, how_late
from service.operations.service import Service
from service.store import gateways

# Real seconds. The keeper takes over after ten, so that twice as long is a fault of everything that should look.
SWEEP_LATE_S: Final = 20.0
DUE_LATE_S: Final = 20.0
URGENT_LATE_S: Final = 30.0
CANARY_LATE_S: Final = 60.0


@dataclass(frozen=True, slots=True)
class ServiceState:
    """`sweep_age_s`: clock seconds since all clocks were looked after, None if never. `faults`: a sentence each."""

    sweep_age_s: float | None
    faults: tuple[str, ...]


def service_state(service: Service, described: Sequence[Described]) -> ServiceState:
    """What is wrong with the service now, the gravest first; nothing where all is well."""
    late = how_late(service)
    lag = clock_seconds(service.clock, 1.0)
    return ServiceState(late.sweep_age_s, (*_lateness(late, lag), *_gateways(service, described)))


def _lateness(late: Lateness, second: float) -> tuple[str, ...]:
    found = []
    if late.sweep_age_s is None or late.sweep_age_s > SWEEP_LATE_S * second:
        found.append("No clock is being looked after: alarms will be late. Watch the times yourself.")
    elif late.oldest_due_s is not None and late.oldest_due_s > DUE_LATE_S * second:
        found.append("The clocks are looked after late.")
    if late.oldest_urgent_s is not None and late.oldest_urgent_s > URGENT_LATE_S * second:
        found.append("Alarm messages wait to be sent: phone the contacts yourself.")
    if late.canary_age_s is not None and late.canary_age_s > CANARY_LATE_S * second:
        found.append("The workers do not answer; the standby does their work.")
    return tuple(found)


def _gateways(service: Service, described: Sequence[Described]) -> tuple[str, ...]:
    names = [one.name for one in described]
    now = service.clock.now()
    states = service.read(lambda session: gateways.states(session, names))
    faulty = [name for name in names if standing(states[name], now) in FAULTY]
    if names and len(faulty) == len(names):
        return ("No gateway works just now: messages may not go out. Phone the contacts yourself.",)
    of_texts = [one.name for one in described if Channel.TEXT in one.channels]
    if of_texts and set(of_texts) <= set(faulty):  # an e-mail alerts nobody, and hardly anybody is called first
        return ("No gateway for texts works just now: alarms may not go out. Phone the contacts yourself.",)
    return tuple(
        f"Gateway {name} {'is doubted' if standing(states[name], now) is Standing.SUSPECT else 'rests'}; others work."
        for name in faulty
    )
