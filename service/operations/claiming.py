"""Claiming: which messages go now, each by which gateway, in one transaction with the slots of their senders.

Strictly by priority. A message whose sender has no slot yet stays queued, and does not hold up those for other senders.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Any

from sqlalchemy.exc import DBAPIError
from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.dive import Dive
from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.breaking import pick, willing
from service.operations.club_senders import KnownSenders
from service.operations.gateway import Gateway
from service.operations.keepers_first import KeepersFirst
from service.operations.pacing import Sender, is_bounded
from service.operations.parcels import Claimed, InDoubt, Kept, Parcel
from service.operations.recording import give_up_superseded, is_superseded
from service.operations.retrying import Fate, Next, Room, Tried, after_lost, is_once_only
from service.operations.routing import URGENT, next_ways, prefixes_of, sender_name, ways
from service.operations.service import Service
from service.store import dives, gateways, handing, leases, outbox, senders
from service.store.dives import UnreadableDive
from service.store.gateways import GatewayState
from service.store.leases import Kinds, Shut, Waiting
from service.store.outbox import LEASED, URGENT_TO, ClaimedMessage

_LOG = logging.getLogger(__name__)

# Real seconds: longer than a question to a gateway (3 s), a call (12 s) and a question after it; and with a look of the
# keeper behind it (5 s) what a dead carrier held is taken up within 35 s, also on a machine that is busy.
LEASE_S = 27.0
PAGE = 64
ONCE_AT_ONCE = 16  # of what goes only once: a courier that is killed loses what it has in hand
ALARMS_FIRST_S = 1.0  # real seconds for which what is calm waits for alarms that were just taken in hand
LOOK_S = 0.05  # real seconds until it is looked again whether they are gone
PASSED_OVER_MAX = 1_000  # messages that wait for a slot, so that those for other senders are found behind them
TOO_LATE = "its dive has moved on"


@dataclass(frozen=True, slots=True)
class _Ask:
    """The attempt whose carrier vanished, at a gateway that can be asked about it."""

    attempt_id: int
    gateway: Gateway
    began_at: datetime


_Choice = Gateway | _Ask | Next  # by whom it goes, whom to ask first, or what becomes of it instead


@dataclass(slots=True)
class _Desk:
    """One transaction's view: the states of the gateways, the senders as they are used up, and who had to wait."""

    now: datetime
    senders: dict[str, Sender]
    states: dict[str, GatewayState] = field(default_factory=dict)
    opens_at: datetime | None = None
    with_keeper_to: datetime | None = None
    used: set[str] = field(default_factory=set)
    tried: dict[str, list[str]] = field(default_factory=dict)  # of messages that were tried before

    def opening(self, gateway: Gateway, channel: Channel) -> datetime:
        """From when a gateway may start a message of this channel."""
        sender = self.senders.get(sender_name(gateway, channel))
        return self.now if sender is None else sender.opens_at(self.now)

    def is_open(self, gateway: Gateway, channel: Channel) -> bool:
        """Whether it may start one now."""
        return self.opening(gateway, channel) <= self.now

    def waits(self, until: datetime) -> None:
        """A message waits for a slot that opens then."""
        self.opens_at = until if self.opens_at is None else min(self.opens_at, until)

    def marks(self) -> dict[str, datetime | None]:
        """What is to be written of the senders."""
        return {name: self.senders[name].free_at for name in self.used}

    def use(self, gateway: Gateway, channel: Channel, segments: int) -> None:
        """Take the slot for a message."""
        name = sender_name(gateway, channel)
        if name in self.senders:
            self.senders[name] = self.senders[name].after(self.now, segments)
            self.used.add(name)


class Claims:
    """Claims for one courier, `owner`."""

    def __init__(
        self,
        service: Service,
        given: Sequence[Gateway],
        owner: str,
        monotonic: Callable[[], float] = time.monotonic,
    ) -> None:
        self._service = service
        self._keepers = KeepersFirst(service.clock, monotonic)
        self._gateways = {gateway.name: gateway for gateway in given}
        self._owner = owner
        self._senders = KnownSenders(service.own_numbers)
        self._crowded = False  # whether the last look found as many as it asked for
        self._bounded = {
            sender_name(gateway, channel): gateway.route
            for gateway in given
            for channel in gateway.channels
            if is_bounded(gateway.route)
        }

    def claim(self, kinds: Kinds, limit: int) -> Claimed:
        """Lease up to `limit` messages and begin their attempts. Where nothing waits it is one cheap query."""
        if not self._crowded and not self._anything(kinds):
            with self._keepers.asked():
                return Claimed()
        with self._keepers.asked():
            return self._service.write(lambda session: self._claim(session, kinds, limit))

    def try_one(self) -> None:
        """Take an alarm in hand and put it down again: what keeps alarms from being carried shows, and none goes out.

        Also one that waits for a keeper. One that somebody lost in mid-attempt is left until its lease runs out.
        """
        claimed = self._service.write(lambda session: self._claim(session, "urgent", 1, all_=True))
        self.take_back(claimed.parcels)

    def _anything(self, kinds: Kinds) -> bool:
        """Whether anything waits, asked without a transaction; also where that cannot be asked."""
        try:
            return leases.anything_waits(self._service.engine, self._service.clock.now(), kinds)
        except DBAPIError:  # the transaction is tried again, and says so if it fails too
            return True

    def begin(self, message: ClaimedMessage) -> Claimed:
        """Begin an attempt at a message that is leased already; it is released where it has to wait for a slot."""
        return self._service.write(lambda session: self._begin(session, message))

    @property
    def paced(self) -> bool:
        """Whether a sender has a rate, so that each message needs a slot."""
        return bool(self._bounded)

    def take_back(self, parcels: Sequence[Parcel]) -> None:
        """Let messages that have not left yet wait again, as if they had not been claimed.

        A dive that moved on meanwhile has let them be, since they looked as if just being handed over.
        """
        attempts = {parcel.attempt_id: parcel.message.id for parcel in parcels}
        self._service.write(lambda session: handing.take_back(session, attempts, self._owner))
        # In a second transaction, which sees what was committed while the first one ran.
        messages, now = [parcel.message for parcel in parcels], self._service.clock.now()
        self._service.write(lambda session: give_up_superseded(session, messages, now))

    def other_way(self, message: Waiting | ClaimedMessage, tried: Sequence[str]) -> bool:
        """Whether there is a gateway beside those that were tried."""
        return any(way.name not in tried for way in self._ways(message))

    def _claim(self, session: Session, kinds: Kinds, limit: int, *, all_: bool = False) -> Claimed:
        desk = self._desk(session)
        desk.with_keeper_to = None if all_ else self._keepers.queued_to(session, desk.now)
        open_ = self._open_channels(desk)
        if open_ == []:
            return Claimed(opens_at=desk.opens_at, shut=True)
        found: list[Waiting] = []
        choices: dict[str, _Choice] = {}
        if not self._bounded:
            found = self._in_turn(session, self._waiting(session, desk, limit, kinds), desk)
            desk.tried = handing.tried(session, [row.id for row in found if row.attempts])
            choices = {row.id: choice for row in found if (choice := self._place(session, row, desk)) is not None}
            return self._taken(session, [row for row in found if row.id in choices], choices, desk)
        page, beyond, shut = PAGE, 0, self._shut(desk)
        while len(found) < limit and beyond < PASSED_OVER_MAX:
            rows = self._waiting(session, desk, page, kinds, channels=open_, shut=shut, beyond=beyond)
            desk.tried |= handing.tried(session, [row.id for row in rows if row.attempts])
            for row in rows:
                choice = self._place(session, row, desk)
                if choice is not None:
                    found.append(row)
                    choices[row.id] = choice
                    if len(found) == limit or self._open_channels(desk) == []:
                        break
            beyond += len(rows)
            if len(rows) < page or self._open_channels(desk) == []:
                break
        return self._taken(session, found, choices, desk)

    def _waiting(self, session: Session, desk: _Desk, most: int, kinds: Kinds, **which: Any) -> list[Waiting]:
        which |= {"kinds": kinds, "crowded": self._crowded, "but_alarms_to": desk.with_keeper_to}
        rows = leases.waiting(session, desk.now, most, **which)
        self._crowded = len(rows) >= most
        return rows

    def _in_turn(self, session: Session, rows: list[Waiting], desk: _Desk) -> list[Waiting]:
        """Those of them whose turn it is: what is calm goes once no alarm waits or is just being sent."""
        urgent = [row for row in rows if row.priority <= URGENT_TO]
        if urgent or not rows:
            return urgent
        second = timedelta(seconds=clock_seconds(self._service.clock, 1.0))
        if leases.urgent_goes(session, desk.now, desk.now + (LEASE_S - ALARMS_FIRST_S) * second):
            if (
                desk.with_keeper_to is None
            ):  # else it may take until the keeper has been there: the next one looks again
                desk.waits(desk.now + LOOK_S * second)
            return []
        once = [place for place, row in enumerate(rows) if is_once_only(MessageKind(row.priority))]
        return rows[: once[ONCE_AT_ONCE]] if len(once) > ONCE_AT_ONCE else rows

    def _begin(self, session: Session, message: ClaimedMessage) -> Claimed:
        desk = self._desk(session)
        desk.tried = handing.tried(session, [message.id] if message.attempts else [])
        begun = handing.begun(session, message.id, self._owner, desk.now)
        if begun is not None:
            # We have been here: this is run again because the answer to its commit was lost. No call was made yet.
            return _claimed([_as_claimed(message, self._gateways[begun.gateway], begun.id, desk)], desk)
        choice = self._way(session, Waiting.of(message), desk)
        if choice is None:
            outbox.release(session, message.id, self._owner, desk.now)
            return Claimed(opens_at=desk.opens_at)
        attempt_id = None
        if not isinstance(choice, Next):
            attempt_id = outbox.begin_attempt(session, message.id, choice.name, self._owner, desk.now)
        senders.save_free_at(session, desk.marks())
        return _claimed([_as_claimed(message, choice, attempt_id, desk)], desk)

    def _desk(self, session: Session) -> _Desk:
        marks = senders.lock_free_at(session, list(self._bounded)) if self._bounded else {}
        now = self._service.clock.now()  # once the others are done
        second = timedelta(seconds=clock_seconds(self._service.clock, 1.0))
        known = {name: Sender(route, second, marks[name]).believed(now) for name, route in self._bounded.items()}
        return _Desk(now, known)

    def _open_channels(self, desk: _Desk) -> list[Channel] | None:
        """The channels by which a message can go now, and those by which none ever can; None for all of them.

        None at all where every sender has to wait.
        """
        if not self._bounded:
            return None
        carriers = {channel: [g for g in self._gateways.values() if channel in g.channels] for channel in Channel}
        opens_at = {
            channel: min(desk.opening(gateway, channel) for gateway in found)
            for channel, found in carriers.items()
            if found
        }
        for at in opens_at.values():
            if at > desk.now:
                desk.waits(at)
        open_ = [channel for channel, at in opens_at.items() if at <= desk.now]
        return [*open_, *(channel for channel in Channel if not carriers[channel])] if open_ else []

    def _shut(self, desk: _Desk) -> list[Shut]:
        """The channels of which some senders have to wait and others need not, with whom each of them serves."""
        found = []
        for channel in Channel:
            serving = [gateway for gateway in self._gateways.values() if channel in gateway.channels]
            free = [gateway for gateway in serving if desk.is_open(gateway, channel)]
            waiting = [gateway for gateway in serving if gateway not in free]
            if waiting and free and "" not in prefixes_of(free):
                found.append(Shut(channel, prefixes_of(waiting), prefixes_of(free)))
                desk.waits(min(desk.opening(gateway, channel) for gateway in waiting))
        return found

    def _ways(self, row: Waiting | ClaimedMessage, first: Collection[str] = ()) -> tuple[Gateway, ...]:
        channel = Channel(row.channel)
        return ways(self._gateways.values(), channel, _address(row, channel), MessageKind(row.priority), first)

    def _place(self, session: Session, row: Waiting, desk: _Desk) -> _Choice | None:
        """Who is to take it now, or what becomes of it; None when it has to wait for a slot."""
        if row.in_flight or (row.attempts and row.state == LEASED):
            lost = self._after_loss(session, row)
            if lost is not None:
                return lost
        return self._way(session, row, desk)

    def _way(self, session: Session, row: Waiting, desk: _Desk) -> Gateway | Next | None:
        """The same, once it is settled what became of its last attempt."""
        found = self._ways(row, self._senders.first(session, row.club_id, Channel(row.channel)))
        if not found:
            _LOG.error("no_gateway_for_message", extra={"message_id": row.id, "channel": row.channel})
            reason = f"no gateway carries a message to this number by {row.channel}"
            return Next(Fate.FAILED, reason=reason, unreachable="refused")
        tried = desk.tried.get(row.id, [])
        if row.handed_gateway is not None:
            found = tuple(gateway for gateway in found if gateway.name not in tried)
            if not found:
                return Next(Fate.HANDED)
        return self._with_slot(session, row, next_ways(found, tried), desk)

    def _after_loss(self, session: Session, row: Waiting) -> Next | _Ask | None:
        """What follows from an attempt that nobody finished, with its dive as it is now; None: it just goes again.

        Also where another carrier has seen that nobody did, and vanished before it had written down what follows.
        """
        kind = MessageKind(row.priority)
        attempts = outbox.attempts_of(session, row.id)
        if not row.in_flight and not (attempts and attempts[-1].detail == leases.LOST):
            return None
        if is_superseded(_dive(session, row.dive_id), row):
            return Next(Fate.FAILED, reason=TOO_LATE)
        doubts = sum(attempt.outcome in ("unknown", None) for attempt in attempts)
        lost = sum(attempt.outcome is None or attempt.detail == leases.LOST for attempt in attempts)
        following = after_lost(kind, Tried(len(attempts), doubts, lost), Room())
        if following.fate is Fate.FAILED:
            return following
        gateway = self._gateways.get(attempts[-1].gateway) if attempts and kind in URGENT else None
        return None if gateway is None else _Ask(attempts[-1].id, gateway, attempts[-1].started_at)

    def _with_slot(self, session: Session, row: Waiting, options: Sequence[Gateway], desk: _Desk) -> Gateway | None:
        """The best of them that may start now. What is calm waits for the preferred one, what is urgent for none."""
        channel, kind = Channel(row.channel), MessageKind(row.priority)
        urgent = kind in URGENT
        # A start notice arms: it must not be what tries whether a gateway works again.
        careful = urgent or kind is MessageKind.START_NOTICE
        states = desk.states or gateways.states(session, list(self._gateways))
        desk.states = states
        ranks = {gateway.name: willing(states[gateway.name], desk.now, urgent=careful)[0] for gateway in options}
        best = [gateway for gateway in options if ranks[gateway.name] == min(ranks.values())]
        open_ = [gateway for gateway in best if desk.is_open(gateway, channel)]
        if not open_ or not (urgent or open_[0] is best[0]):
            desk.waits(min(desk.opening(gateway, channel) for gateway in (best if urgent else best[:1])))
            return None
        name = pick(self._service, session, states, [gateway.name for gateway in open_], urgent=careful)
        desk.use(self._gateways[name], channel, row.segments)
        return self._gateways[name]

    def _taken(self, session: Session, found: Sequence[Waiting], choices: dict[str, _Choice], desk: _Desk) -> Claimed:
        lease_s = clock_seconds(self._service.clock, LEASE_S)
        going = {key: choice.name for key, choice in choices.items() if not isinstance(choice, Next | _Ask)}
        leased = leases.lease(session, found, self._owner, desk.now, lease_s, going)
        attempts = handing.begin_attempts(session, going, self._owner, desk.now)
        done = [_as_claimed(message, choices[message.id], attempts.get(message.id), desk) for message in leased]
        senders.save_free_at(session, desk.marks())
        return _claimed(done, desk)


def _claimed(done: Sequence[Parcel | InDoubt | Kept], desk: _Desk) -> Claimed:
    return Claimed(
        parcels=tuple(one for one in done if isinstance(one, Parcel)),
        in_doubt=tuple(one for one in done if isinstance(one, InDoubt)),
        kept=tuple(one for one in done if isinstance(one, Kept)),
        opens_at=desk.opens_at,
    )


def _as_claimed(
    message: ClaimedMessage, choice: _Choice, attempt_id: int | None, desk: _Desk
) -> Parcel | InDoubt | Kept:
    if isinstance(choice, Next):
        return Kept(message, choice)
    if isinstance(choice, _Ask):
        return InDoubt(message, choice.attempt_id, choice.gateway, choice.began_at)
    assert attempt_id is not None  # noqa: S101 - an attempt has begun at whatever goes
    tried = desk.tried.get(message.id, [])
    return Parcel(message, attempt_id, choice, desk.now, (*tried, choice.name))


def _address(row: Waiting | ClaimedMessage, channel: Channel) -> str:
    return (row.email or "") if channel is Channel.EMAIL else row.phone


def _dive(session: Session, dive_id: str | None) -> Dive | None:
    try:
        return dives.get(session, dive_id) if dive_id else None
    except UnreadableDive:
        return None
