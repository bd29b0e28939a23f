"""Carrying a keeper's messages while the database is gone: a journal, and no leases, since nobody else has them.

The same rules as the courier's say what follows from an outcome. Each attempt is in the journal before the gateway is
called, and what came of it after. All that is remembered is changed by one thread; the others only call gateways.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Collection, Iterable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

from msgspec.structs import replace

from service.clock import Clock, clock_seconds
from service.domain.dive import Dive, Phase
from service.domain.people import Channel
from service.domain.wording import MessageKind, untrue_steps
from service.operations.club_senders import NONE_KNOWN, ClubSenders
from service.operations.gateway import Accepted, Gateway, Outcome, Outgoing, Refused, Unknown
from service.operations.outage_journal import Ended, Entry, Journal, Told
from service.operations.outage_journal import Tried as Attempt
from service.operations.pacing import Sender, is_bounded
from service.operations.plainest import OUTAGE_STEP
from service.operations.retrying import Fate, Next, Room, Tried, after, after_lost
from service.operations.routing import next_ways, ways
from service.operations.telling import LADDER, SAYS_ALL_AGAIN

_LOG = logging.getLogger(__name__)

AT_ONCE: Final = 16
LOOK_AGAIN_S: Final = 0.1
FAILED_LATELY: Final = 30.0  # real seconds for which a gateway that failed comes after the others


@dataclass(slots=True)
class Parcel:
    """A message on its way; `ended` once nothing more is done about it, `taken` once a gateway has it."""

    told: Told
    tried: list[str] = field(default_factory=list)
    doubts: int = 0
    lost: int = 0
    not_before_at: datetime | None = None
    flying: bool = False
    ended: bool = False
    taken: bool = False


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
        club_senders: ClubSenders = NONE_KNOWN,
    ) -> None:
        self._journal = journal
        self._club_senders = club_senders
        self._gateways = tuple(gateways)
        self._clock = clock
        self._monotonic = monotonic
        self._second = timedelta(seconds=clock_seconds(clock, 1.0))
        self._pool = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="keeper-stands-in")
        self._parcels: dict[str, Parcel] = {}
        self._open: dict[str, Parcel] = {}  # those that are not ended
        self._of_dive: dict[str | None, list[Parcel]] = {}
        self._flying: dict[Future[Outcome], tuple[Parcel, Gateway]] = {}
        self._failed_s: dict[str, float] = {}
        self._senders = {one.name: Sender(one.route, self._second) for one in gateways if is_bounded(one.route)}
        self._unreached: list[Unreached] = []

    def take_up(self, entries: Iterable[Entry]) -> None:
        """Remember what a keeper before us had on its way. An attempt that has no end may have got through."""
        open_: dict[str, Attempt] = {}
        for entry in entries:
            if isinstance(entry, Told):
                self._put(entry)
            elif isinstance(entry, Attempt | Ended) and entry.message_id not in self._parcels:
                continue  # its line was torn; the ladder has its step
            elif isinstance(entry, Attempt):
                open_[entry.message_id] = entry
                self._parcels[entry.message_id].tried.append(entry.gateway)
                self._parcels[entry.message_id].flying = True
            elif isinstance(entry, Ended):
                open_.pop(entry.message_id, None)
                self._parcels[entry.message_id].flying = False
                self._settle(self._parcels[entry.message_id], entry)
        for message_id in open_:
            parcel = self._parcels[message_id]
            parcel.doubts, parcel.lost, parcel.flying = parcel.doubts + 1, parcel.lost + 1, False
            self._follow(parcel, after_lost(self._kind(parcel), self._so_far(parcel), Room()))
        self._unreached.clear()  # the heart heard of them then

    def add(self, messages: Iterable[Told]) -> None:
        """Messages that are in the journal by now."""
        for told in messages:
            self._put(told)

    def drop(self, dive_id: str) -> None:
        """What has not gone out of a dive that is over would only mislead; its stand-down goes.

        What is with a gateway now is not tried again either.
        """
        for parcel in self._of_dive.get(dive_id, ()):
            if parcel.told.kind != MessageKind.STAND_DOWN:
                self._end(parcel)

    def drop_untrue(self, dive: Dive) -> None:
        """Nobody hears any more that rescue was called once that is taken back, nor then that it was not.

        Nor that it is over, once a dive was opened again: who reads that last believes it.
        """
        opened_again = dive.phase is not Phase.CLOSED
        for parcel in self._of_dive.get(dive.id, ()):
            over = opened_again and parcel.told.kind == MessageKind.STAND_DOWN
            if over or _step(parcel.told).startswith(untrue_steps(dive)):
                self._end(parcel)

    def drop_to(self, phone: str, club_ids: Collection[str]) -> None:
        """Whoever wants nothing from these clubs' number gets nothing of what waits; an e-mail is another matter."""
        for parcel in [*self._open.values()]:
            told = parcel.told
            if told.phone == phone and told.club_id in club_ids and told.channel is not Channel.EMAIL:
                self._end(parcel)

    def message(self, message_id: str) -> Told | None:
        """A message by its id."""
        parcel = self._parcels.get(message_id)
        return None if parcel is None else parcel.told

    def has_told(self, dive_id: str) -> bool:
        """Whether anybody may have been told anything of this dive."""
        return any(one.tried for one in self._of_dive.get(dive_id, ()))

    def owed_the_end(self, dive_id: str) -> list[Told]:
        """A message each of those who may have an alarm of a dive, or were to have its end, and got no end since."""
        owed: dict[tuple[str, Channel], Told] = {}
        for one in self._of_dive.get(dive_id, ()):
            over = one.told.kind == MessageKind.STAND_DOWN
            if over and (one.taken or not one.ended):
                owed.pop(_whom(one.told), None)
            elif over or (one.told.kind <= MessageKind.ALERT and one.tried):
                owed[_whom(one.told)] = one.told
        return list(owed.values())

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

    def _put(self, told: Told) -> None:
        """Let it wait, in place of older rungs to the same person by the same way that it says again and better.

        As the outbox does it (`store.superseding.in_place_of_waiting`): what is told of an alarm beside its ladder
        takes the place of nothing, since by itself it says neither where nor since when.
        """
        older = [one for one in self._of_dive.get(told.dive_id, ()) if _is_said_again(one, told)]
        for one in older:
            self._end(one)
        same = [told, *(one.told for one in older if one.told.kind == told.kind)]
        told = replace(told, rank=min(one.rank for one in same), due_at=min(one.due_at for one in same))
        parcel = Parcel(told)
        self._parcels[told.id] = self._open[told.id] = parcel
        self._of_dive.setdefault(told.dive_id, []).append(parcel)

    def _end(self, parcel: Parcel) -> None:
        parcel.ended = True
        self._open.pop(parcel.told.id, None)

    def _begin_all(self) -> bool:
        """Begin what may begin; whether more waits for a slot, of ours or of its sender."""
        now = self._clock.now()
        ready = [one for one in self._open.values() if not one.flying and _is_due(one, now)]
        ready.sort(key=lambda one: (one.told.kind, one.told.rank, one.told.due_at, one.told.id))
        begun: list[tuple[Parcel, Gateway]] = []
        for parcel in ready:
            if len(self._flying) + len(begun) >= AT_ONCE:
                break
            gateway = self._gateway_for(parcel, now)
            if gateway is not None:
                parcel.tried.append(gateway.name)
                parcel.flying = True
                begun.append((parcel, gateway))
        if begun:
            self._journal.write([Attempt(one.told.id, len(one.tried), by.name, now) for one, by in begun])
        for parcel, gateway in begun:
            self._flying[self._pool.submit(_send, gateway, parcel.told)] = (parcel, gateway)
        return any(not (one.ended or one.flying) for one in ready)

    def _gateway_for(self, parcel: Parcel, now: datetime) -> Gateway | None:
        """Who is to take it now; None when it has to wait for a slot, or nobody can."""
        found = self._ways(parcel)
        if not found:
            self._follow(parcel, Next(Fate.FAILED, unreachable="refused"))
            return None
        gateway = self._choose(next_ways(found, parcel.tried), now)
        if gateway is not None and gateway.name in self._senders:
            self._senders[gateway.name] = self._senders[gateway.name].after(now, parcel.told.segments)
        return gateway

    def _choose(self, options: Sequence[Gateway], now: datetime) -> Gateway | None:
        """The first that may start one now, those that failed lately after the others."""
        calm_s = self._monotonic() - FAILED_LATELY
        ordered = sorted(options, key=lambda one: self._failed_s.get(one.name, calm_s) > calm_s)
        return next((one for one in ordered if self._is_open(one, now)), None)

    def _is_open(self, gateway: Gateway, now: datetime) -> bool:
        sender = self._senders.get(gateway.name)
        return sender is None or sender.believed(now).opens_at(now) <= now

    def _settle_all(self) -> None:
        """Write down what has come of those that are done, then do what follows."""
        now = self._clock.now()
        done = [(*self._flying.pop(one), one.result()) for one in [one for one in self._flying if one.done()]]
        follows: list[tuple[Parcel, Next]] = []
        ends: list[Ended] = []
        for parcel, gateway, outcome in done:
            ended = _ended(parcel, outcome, now)
            parcel.flying = False
            self._settle(parcel, ended)
            following = after(outcome, self._kind(parcel), self._so_far(parcel), Room())
            if isinstance(outcome, Accepted):
                self._failed_s.pop(gateway.name, None)
            elif following.fate is Fate.AGAIN:
                self._failed_s[gateway.name] = self._monotonic()
            follows.append((parcel, following))
            ends.append(replace(ended, given_up=following.fate is Fate.FAILED))
        if ends:
            self._journal.write(ends)
        for parcel, following in follows:
            if not parcel.ended:
                self._follow(parcel, following)

    def _settle(self, parcel: Parcel, ended: Ended) -> None:
        if ended.outcome == "unknown":
            parcel.doubts += 1
        parcel.taken = parcel.taken or ended.outcome == "accepted"
        if parcel.taken or ended.given_up:
            self._end(parcel)

    def _follow(self, parcel: Parcel, following: Next) -> None:
        """What follows from an outcome."""
        if following.unreachable is not None:
            self._unreached.append(Unreached(parcel.told, following.unreachable))
        if following.fate is Fate.AGAIN:
            parcel.not_before_at = self._clock.now() + following.wait.total_seconds() * self._second
        else:
            self._end(parcel)

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
        first = self._club_senders.first(told.club_id, told.channel)
        return ways(self._gateways, told.channel, told.email or told.phone, self._kind(parcel), first)

    @staticmethod
    def _kind(parcel: Parcel) -> MessageKind:
        return MessageKind(parcel.told.kind)


def _ended(parcel: Parcel, outcome: Outcome, now: datetime) -> Ended:
    number, message_id = len(parcel.tried), parcel.told.id
    match outcome:
        case Accepted(provider_id):
            return Ended(message_id, number, now, "accepted", provider_id=provider_id)
        case Refused():
            return Ended(message_id, number, now, "refused", outcome.code, outcome.detail)
        case Unknown(detail):
            return Ended(message_id, number, now, "unknown", detail=detail)


def _is_said_again(older: Parcel, told: Told) -> bool:
    """Whether that is a rung of the ladder which waits, and this one that says all again to the same person."""
    one = older.told
    if told.dive_id is None or older.ended or older.flying or _whom(one) != _whom(told):
        return False
    return _rung(told) in SAYS_ALL_AGAIN and _rung(one) in LADDER


def _whom(told: Told) -> tuple[str, Channel]:
    return told.person_key, told.channel


def _rung(told: Told) -> str:
    return _step(told).partition("-")[0]


def _step(told: Told) -> str:
    """Its step, be it ours or the outbox's."""
    return told.step.removeprefix(OUTAGE_STEP).partition("-")[2] if told.step.startswith(OUTAGE_STEP) else told.step


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
