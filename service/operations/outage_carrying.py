"""Carrying a keeper's messages while the database is gone: a journal, and no leases, since nobody else has them.

The same rules as the courier's say what follows from an outcome. Each attempt is in the journal before the gateway is
called, and what came of it after. All that is remembered is changed by one thread; the others only call gateways.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from service.clock import Clock, clock_seconds
from service.domain.wording import MessageKind
from service.operations.gateway import Accepted, Gateway, Outcome, Outgoing, Refused, Unknown
from service.operations.outage_journal import Ended, Entry, Journal, Told
from service.operations.outage_journal import Tried as Attempt
from service.operations.pacing import Sender, is_bounded
from service.operations.retrying import Fate, Next, Room, Tried, after, after_lost
from service.operations.routing import next_ways, ways

_LOG = logging.getLogger(__name__)

AT_ONCE: Final = 16
LOOK_AGAIN_S: Final = 0.1
FAILED_LATELY: Final = 30.0  # real seconds for which a gateway that failed comes after the others


@dataclass(slots=True)
class Parcel:
    """A message on its way. `ended` once nothing more is done about it; `reached`: a gateway has it, or may have it."""

    told: Told
    tried: list[str] = field(default_factory=list)
    doubts: int = 0
    lost: int = 0
    not_before_at: datetime | None = None
    flying: bool = False
    ended: bool = False
    reached: bool = False


@dataclass(frozen=True, slots=True)
class Unreached:
    """Somebody cannot be reached by this way, as the heart calls it."""

    told: Told
    why: str


class OutageCourier:
    """Carries for one keeper, which calls it from one thread."""

    def __init__(
        self,
        journal: Journal,
        gateways: Sequence[Gateway],
        clock: Clock,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._journal = journal
        self._gateways = tuple(gateways)
        self._clock = clock
        self._monotonic = monotonic
        self._second = timedelta(seconds=clock_seconds(clock, 1.0))
        self._pool = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="keeper-stands-in")
        self._parcels: dict[str, Parcel] = {}
        self._flying: dict[Future[Outcome], tuple[Parcel, Gateway]] = {}
        self._failed_s: dict[str, float] = {}
        self._senders = {one.name: Sender(one.route, self._second) for one in gateways if is_bounded(one.route)}
        self._unreached: list[Unreached] = []

    def take_up(self, entries: Iterable[Entry]) -> None:
        """Remember what a keeper before us had on its way. An attempt that has no end may have got through."""
        open_: dict[str, Attempt] = {}
        for entry in entries:
            if isinstance(entry, Told):
                self._parcels[entry.id] = Parcel(entry)
            elif isinstance(entry, Attempt):
                open_[entry.message_id] = entry
                self._parcels[entry.message_id].tried.append(entry.gateway)
            elif isinstance(entry, Ended):
                open_.pop(entry.message_id, None)
                self._settle(self._parcels[entry.message_id], entry)
        for message_id in open_:
            parcel = self._parcels[message_id]
            parcel.doubts, parcel.lost, parcel.reached = parcel.doubts + 1, parcel.lost + 1, True
            self._follow(parcel, after_lost(self._kind(parcel), self._so_far(parcel), Room()))
        self._unreached.clear()  # the heart heard of them then

    def add(self, messages: Iterable[Told]) -> None:
        """Messages that are in the journal by now. Whoever still waits for an alarm is told the latest of it alone."""
        for told in messages:
            for other in self._parcels.values():
                if not (other.tried or other.ended) and _is_the_same_again(told, other.told):
                    other.ended = True
            self._parcels[told.id] = Parcel(told)

    def drop(self, dive_id: str) -> None:
        """What has not gone out of a dive that is over would only mislead; its stand-down goes."""
        for parcel in self._parcels.values():
            if parcel.told.dive_id == dive_id and parcel.told.kind != MessageKind.STAND_DOWN and not parcel.flying:
                parcel.ended = True

    def message(self, message_id: str) -> Told | None:
        """A message by its id."""
        parcel = self._parcels.get(message_id)
        return None if parcel is None else parcel.told

    def has_told(self, dive_id: str) -> bool:
        """Whether anybody may have been told anything of this dive."""
        return any(one.tried and one.told.dive_id == dive_id for one in self._parcels.values())

    def carry(self, for_s: float) -> list[Unreached]:
        """Carry what waits, the most urgent first, for so many real seconds; whom it turns out not to reach.

        What is with a gateway then is left with it, and looked after the next time.
        """
        until_s = self._monotonic() + for_s
        while True:
            waiting = self._begin_all()
            self._settle_all()
            if not (waiting or self._flying) or self._monotonic() >= until_s:
                break
            if self._flying:
                wait(self._flying, timeout=LOOK_AGAIN_S, return_when="FIRST_COMPLETED")
            else:
                time.sleep(LOOK_AGAIN_S)
        found, self._unreached = self._unreached, []
        return found

    def close(self) -> list[Unreached]:
        """Wait for what is with a gateway, at most the 12 s that a call takes, and write down what came of it."""
        self._pool.shutdown(wait=True)
        self._settle_all()
        return self._unreached

    def _begin_all(self) -> bool:
        """Begin what may begin; whether more waits for a slot, of ours or of its sender."""
        now = self._clock.now()
        ready = [one for one in self._parcels.values() if not (one.ended or one.flying) and _is_due(one, now)]
        ready.sort(key=lambda one: (one.told.kind, one.told.rank, one.told.due_at, one.told.id))
        for parcel in ready:
            if len(self._flying) >= AT_ONCE:
                return True
            self._begin(parcel, now)
        return any(not (one.ended or one.flying) and _is_due(one, now) for one in ready)

    def _begin(self, parcel: Parcel, now: datetime) -> None:
        told = parcel.told
        found = self._ways(parcel)
        if not found:
            self._follow(parcel, Next(Fate.FAILED, unreachable="refused"))
            return
        gateway = self._choose(next_ways(found, parcel.tried), now)
        if gateway is None:
            return
        if gateway.name in self._senders:
            self._senders[gateway.name] = self._senders[gateway.name].after(now, told.segments)
        parcel.tried.append(gateway.name)
        parcel.flying = True
        self._journal.write([Attempt(told.id, len(parcel.tried), gateway.name, now)])
        self._flying[self._pool.submit(_send, gateway, told)] = (parcel, gateway)

    def _choose(self, options: Sequence[Gateway], now: datetime) -> Gateway | None:
        """The first that may start one now, those that failed lately after the others."""
        calm_s = self._monotonic() - FAILED_LATELY
        ordered = sorted(options, key=lambda one: self._failed_s.get(one.name, calm_s) > calm_s)
        return next((one for one in ordered if self._is_open(one, now)), None)

    def _is_open(self, gateway: Gateway, now: datetime) -> bool:
        sender = self._senders.get(gateway.name)
        return sender is None or sender.believed(now).opens_at(now) <= now

    def _settle_all(self) -> None:
        for done in [one for one in self._flying if one.done()]:
            parcel, gateway = self._flying.pop(done)
            outcome, number, now = done.result(), len(parcel.tried), self._clock.now()
            parcel.flying = False
            if isinstance(outcome, Accepted):
                self._failed_s.pop(gateway.name, None)
                ended = Ended(parcel.told.id, number, now, "accepted", provider_id=outcome.provider_id)
            elif isinstance(outcome, Refused):
                ended = Ended(parcel.told.id, number, now, "refused", outcome.code, outcome.detail)
            else:
                ended = Ended(parcel.told.id, number, now, "unknown", detail=outcome.detail)
            self._journal.write([ended])
            self._settle(parcel, ended)
            if not parcel.ended:
                following = after(outcome, self._kind(parcel), self._so_far(parcel), Room())
                if following.fate is Fate.AGAIN:
                    self._failed_s[gateway.name] = self._monotonic()
                self._follow(parcel, following)

    def _settle(self, parcel: Parcel, ended: Ended) -> None:
        if ended.outcome == "accepted":
            parcel.ended = parcel.reached = True
        elif ended.outcome == "unknown":
            parcel.doubts += 1
            parcel.reached = True

    def _follow(self, parcel: Parcel, following: Next) -> None:
        """What follows from an outcome. Whoever may have it already is not waited for in vain by another word of it."""
        if following.unreachable is not None:
            self._unreached.append(Unreached(parcel.told, following.unreachable))
        if following.fate is Fate.AGAIN:
            parcel.not_before_at = self._clock.now() + following.wait.total_seconds() * self._second
        else:
            parcel.ended = True

    def _so_far(self, parcel: Parcel) -> Tried:
        names = {one.name for one in self._ways(parcel)}
        return Tried(
            tries=len(parcel.tried),
            doubts=parcel.doubts,
            lost=parcel.lost,
            other_gateway=bool(names - set(parcel.tried)),
            among_others=bool(names - set(parcel.tried[-1:])),
        )

    def _ways(self, parcel: Parcel) -> tuple[Gateway, ...]:
        told = parcel.told
        return ways(self._gateways, told.channel, told.email or told.phone, self._kind(parcel))

    @staticmethod
    def _kind(parcel: Parcel) -> MessageKind:
        return MessageKind(parcel.told.kind)


def _is_the_same_again(told: Told, other: Told) -> bool:
    where = told.dive_id is not None and (told.dive_id, told.channel) == (other.dive_id, other.channel)
    return where and told.person_key == other.person_key and max(told.kind, other.kind) <= MessageKind.ALERT


def _is_due(parcel: Parcel, now: datetime) -> bool:
    return parcel.not_before_at is None or parcel.not_before_at <= now


def _send(gateway: Gateway, told: Told) -> Outcome:
    try:
        return gateway.send(
            Outgoing(
                to=told.email or told.phone,
                body=told.body,
                reference=told.id,
                channel=told.channel,
                subject=told.subject,
                thread=told.dive_id,
                language=told.language,
            )
        )
    except Exception as error:  # noqa: BLE001 - a gateway whose code breaks is a gateway that fails
        # It may have sent before it broke.
        _LOG.exception("gateway_raised", extra={"gateway": gateway.name, "message_id": told.id})
        return Unknown(f"the gateway's code raised {type(error).__name__}")
