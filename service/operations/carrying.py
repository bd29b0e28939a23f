"""The courier: carries queued messages to gateways, the most urgent first, many at once.

Its attempt is committed before the call and its outcome after, and no transaction is open during the call. What is
urgent and may have got through is asked about before it goes again.
"""

from __future__ import annotations

import logging
import os
import secrets
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from datetime import datetime, timedelta
from functools import partial

from service.clock import clock_seconds
from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.asking import Asking
from service.operations.budgeting import valid_for_s
from service.operations.claiming import LEASE_S, Claims
from service.operations.gateway import Accepted, Found, Gateway, Lookup, Outcome, Outgoing, Unknown
from service.operations.handing_over import Handed, HandingOver, is_plain
from service.operations.hands import ALL, Hands
from service.operations.parcels import Claimed, InDoubt, Kept, Parcel
from service.operations.routing import URGENT
from service.operations.service import Service
from service.operations.settling import Heard, Settling
from service.store.leases import Kinds
from service.store.outbox import ClaimedMessage

_LOG = logging.getLogger(__name__)

AT_ONCE = ALL
ROUNDS_MAX = 2_000
TAKES_FOR_S = 15.0  # real seconds: less than the soft limit of a task that carries
PILE_MAX = 100  # so many messages at most are in doubt when this process ends in the middle
LOOK_AGAIN_S = 0.2  # real seconds: how long a new alarm may wait behind calls that are slow


class Courier:
    """Carries for one process. Not to be shared between processes; `close` gives connections back."""

    def __init__(
        self,
        service: Service,
        gateways: Sequence[Gateway],
        monotonic: Callable[[], float] = time.monotonic,
        pause: Callable[[float], None] = time.sleep,
    ) -> None:
        if not gateways:
            raise ValueError("a courier needs at least one gateway")
        self._service = service
        self._monotonic = monotonic
        self._pause = pause
        self._gateways = tuple(gateways)
        self._pool = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="courier")
        self._hands = Hands(monotonic)
        self._lock = threading.Lock()
        self._at_work = 0
        self._asking = Asking()
        owner = f"{service.process}:{os.getpid()}:{secrets.token_hex(3)}"
        self._claims = Claims(service, self._gateways, owner, monotonic)
        self._settling = Settling(service, self._claims, owner)
        self._handing_over = HandingOver(service, owner, lambda one: self._settle(one.parcel, Heard(one.outcome)))

    def close(self) -> None:
        """Wait for what is on its way, then release the gateways."""
        self._pool.shutdown(wait=True)
        self._asking.close()
        for gateway in self._gateways:
            gateway.close()

    def try_one(self) -> None:
        """Raise what keeps alarms from being carried, where anything does; none goes out for it."""
        self._claims.try_one()

    def carry(self, *, urgent_only: bool = False) -> int:
        """Carry until nothing is waiting, or for 15 s; gives how many messages were taken in hand.

        Then no more is taken: what is on its way is waited for, and the rest stays queued for the next courier.
        Each round claims anew, so that an alarm which was queued meanwhile goes before what is calm, and does not
        wait for a gateway that is slow with the rest. Where all that waits has to wait for its sender's rate, it is
        slept until the next slot.
        """
        kinds: Kinds = "urgent" if urgent_only else "all"
        carried, most = 0, AT_ONCE
        flying: set[Future[None]] = set()
        pile: deque[Parcel] = deque()
        until_s = self._monotonic() + TAKES_FOR_S
        self._handing_over.write()  # what could not be while the database was away
        try:
            for _ in range(ROUNDS_MAX):
                left_s = until_s - self._monotonic()
                if left_s <= 0:
                    break
                claimed = self._claims.claim(kinds, most - len(flying)) if len(flying) < AT_ONCE else Claimed()
                pile.extend(claimed.parcels)
                hands = min(len(pile), AT_ONCE - len(flying), self._hands.wanted(len(pile)))
                flying |= {self._pool.submit(self._work_off, pile) for _ in range(hands)}
                flying |= {self._pool.submit(self._resolve, doubt) for doubt in claimed.in_doubt}
                self._keep(claimed.kept)
                taken = len(claimed.parcels) + len(claimed.in_doubt)
                carried += taken
                slot_s = self._until(claimed.opens_at)
                if flying:
                    flying = wait(flying, timeout=min(LOOK_AGAIN_S, slot_s)).not_done
                    self._handing_over.write()
                elif slot_s < float("inf"):
                    self._pause(min(slot_s if claimed.shut else min(slot_s, LOOK_AGAIN_S), left_s))
                elif not claimed.kept:
                    break
                back = self._take_back(pile)
                carried -= back
                most = self._at_once(most, taken, back)
        finally:
            self._take_back(pile)
        wait(flying)
        self._take_back(pile)  # what somebody who stood still put down again behind that
        return carried

    def _work_off(self, pile: deque[Parcel]) -> None:
        """Deliver one after the other until none is left on the pile. Who ends last writes down what all have done.

        Where one takes long, the others' is written down at the next look.
        """
        with self._lock:
            self._at_work += 1
        try:
            while (parcel := _next(pile)) is not None:
                if self._is_stale(parcel):
                    pile.appendleft(parcel)  # it is let wait again, where nobody has taken it up meanwhile
                    break
                self._deliver(parcel)
        finally:
            with self._lock:
                self._at_work -= 1
                last = not self._at_work
            if last:
                self._handing_over.write()

    def _is_stale(self, parcel: Parcel) -> bool:
        """Whether its lease has run out: this process stood still, and all may be over by now."""
        return self._service.clock.now() - parcel.began_at > LEASE_S * self._second

    def _take_back(self, pile: deque[Parcel]) -> int:
        """Let what still lies on the pile wait again, so that it goes behind what is more urgent; how many."""
        rest: list[Parcel] = []
        while (parcel := _next(pile)) is not None:
            rest.append(parcel)
        if rest:
            try:
                self._claims.take_back(rest)
            except Exception:  # noqa: BLE001 - their leases run out and they are taken up again
                _LOG.exception("not_taken_back", extra={"messages": len(rest)})
        return len(rest)

    def _at_once(self, most: int, taken: int, back: int) -> int:
        """How many to claim next: more while all of it goes in one look, and no more than went in this one if not."""
        if self._claims.paced:
            return AT_ONCE
        if back:
            return max(taken - back, AT_ONCE)
        return min(most * 2, PILE_MAX) if taken >= most else most

    def _until(self, opens_at: datetime | None) -> float:
        """Real seconds until then; without end when nothing waits for a slot."""
        if opens_at is None:
            return float("inf")
        return max((opens_at - self._service.clock.now()) / self._second, 0.0)

    @property
    def _second(self) -> timedelta:
        return timedelta(seconds=clock_seconds(self._service.clock, 1.0))

    def _resolve(self, doubt: InDoubt) -> None:
        """Ask about the attempt whose carrier vanished; send again unless it got through."""
        try:
            lookup = self._ask(doubt)
            if isinstance(lookup, Found) and self._settling.adopt(doubt, lookup.provider_id):
                return
            claimed = self._claims.begin(doubt.message)
        except Exception:  # noqa: BLE001 - the lease runs out and the message is taken up again
            _LOG.exception("doubt_not_resolved", extra={"message_id": doubt.message.id})
            return
        self._keep(claimed.kept)
        for parcel in claimed.parcels:
            self._deliver(parcel)
        self._handing_over.write()

    def _keep(self, kept: Sequence[Kept]) -> None:
        for one in kept:
            try:
                self._settling.keep(one)
            except Exception:  # noqa: BLE001 - its lease runs out; what was claimed with it must not wait for it
                _LOG.exception("not_given_up", extra={"message_id": one.message.id})

    def _deliver(self, parcel: Parcel) -> None:
        outcome = self._send(parcel)
        urgent = MessageKind(parcel.message.priority) in URGENT
        lookup = self._ask(parcel) if urgent and isinstance(outcome, Unknown) else None
        self._record(parcel, Heard(outcome, lookup))

    def _record(self, parcel: Parcel, heard: Heard) -> None:
        if isinstance(heard.outcome, Accepted) and is_plain(parcel.message):
            self._handing_over.record(Handed(parcel, heard.outcome))
        else:
            self._settle(parcel, heard)

    def _settle(self, parcel: Parcel, heard: Heard) -> None:
        try:
            self._settling.record(parcel, heard)
        except Exception:  # noqa: BLE001 - whatever it is, the others' records must not be lost with this one
            # The lease runs out and the message is taken up again: twice rather than never.
            _LOG.exception("attempt_not_recorded", extra={"message_id": parcel.message.id})

    def _send(self, parcel: Parcel) -> Outcome:
        try:
            with self._hands.exchange():
                return parcel.gateway.send(self._outgoing(parcel.message))
        except Exception as error:  # noqa: BLE001 - a gateway whose code breaks is a gateway that fails
            # It may have sent before it broke.
            _LOG.exception("gateway_raised", extra={"gateway": parcel.gateway.name, "message_id": parcel.message.id})
            return Unknown(f"the gateway's code raised {type(error).__name__}")

    def _ask(self, about: Parcel | InDoubt) -> Lookup:
        outgoing = self._outgoing(about.message)
        return self._asking.ask(about.gateway, outgoing, about.began_at, partial(self._found_late, about))

    def _found_late(self, about: Parcel | InDoubt, provider_id: str) -> None:
        try:
            self._settling.adopt(about, provider_id)
        except Exception:  # noqa: BLE001 - it went again already; only its receipts will not be known
            _LOG.exception("found_late_not_recorded", extra={"message_id": about.message.id})

    def _outgoing(self, message: ClaimedMessage) -> Outgoing:
        return Outgoing(
            to=message.email or message.phone,
            body=message.body,
            reference=message.id,
            channel=Channel(message.channel),
            subject=message.subject,
            thread=message.dive_id,
            language=message.language,
            valid_for_s=valid_for_s(message, self._service.clock.now(), self._second),
            anew=message.taken_up,
        )


def _next(pile: deque[Parcel]) -> Parcel | None:
    """The next on the pile, which other threads take from too; None when nothing is left."""
    try:
        return pile.popleft()
    except IndexError:
        return None
