"""Which gateways may carry a message, in which order. Pure; the courier asks for the slot and makes the call."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from typing import TypeVar

from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.gateway import Carrier, Route

URGENT = (MessageKind.DISTRESS, MessageKind.ALERT, MessageKind.STAND_DOWN)


C = TypeVar("C", bound=Carrier)


def ways(
    gateways: Iterable[C], channel: Channel, to: str, kind: MessageKind, first: Collection[str] = ()
) -> tuple[C, ...]:
    """Those that may carry it, the preferred first; none when nobody is reached by this channel at this address.

    The one set up for the longest beginning of the number goes first, then one set up for this kind of message, then
    the order of the settings. What a gateway is kept for is about cost, and an alarm is worth it: where its own
    gateways fail, one that is kept for other kinds is the last resort of an alarm.

    Before all this go those that `first` names: the club's own.
    """
    serving = [gateway for gateway in gateways if channel in gateway.channels and _reaches(gateway.route, to)]
    chosen = [gateway for gateway in serving if _is_for(gateway.route, kind)]
    last_resort = [gateway for gateway in serving if kind in URGENT and not _is_for(gateway.route, kind)]
    chosen.sort(key=lambda gateway: _preference(gateway.route, to))
    return tuple(sorted((*chosen, *last_resort), key=lambda gateway: gateway.name not in first))


def next_ways(found: Sequence[C], tried: Sequence[str]) -> tuple[C, ...]:
    """Those to try now, after the gateways in `tried`: the one that just failed only where there is no other."""
    others = tuple(gateway for gateway in found if not tried or gateway.name != tried[-1])
    return others or tuple(found)


def sender_name(gateway: Carrier, channel: Channel) -> str:
    """The name under which the rate of a sender is kept: texts have one, calls of the same gateway another."""
    return gateway.name if channel is Channel.TEXT else f"{gateway.name} {channel}"


def prefixes_of(gateways: Iterable[Carrier]) -> tuple[str, ...]:
    """The beginnings of the numbers that they serve; "" is that of every number."""
    return tuple(prefix for gateway in gateways for prefix in gateway.route.prefixes or ("",))


def _reaches(route: Route, to: str) -> bool:
    return not route.prefixes or any(to.startswith(prefix) for prefix in route.prefixes)


def _is_for(route: Route, kind: MessageKind) -> bool:
    return not route.kinds or kind in route.kinds


def _preference(route: Route, to: str) -> tuple[int, bool]:
    """The lower, the rather; what is equal keeps the order of the settings."""
    longest = max((len(prefix) for prefix in route.prefixes if to.startswith(prefix)), default=0)
    return -longest, not route.kinds
