"""The courier: carries queued messages to gateways, the most urgent first, many at once.

Its attempt is committed before the call and its outcome after, and no transaction is open during the call.
"""

from __future__ import annotations

import logging
import os
import secrets
import time
from collections.abc import Callable, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any, Literal

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.dive.commands import NoteHanded, NoteUnreachable
from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.breaking import note, pick
from service.operations.gateway import Accepted, Gateway, Outcome, Outgoing, Refused, Unknown
from service.operations.receipts import apply_waiting
from service.operations.recording import held, is_superseded, learn
from service.operations.retrying import URGENT, Fate, Next, after, after_lost
from service.operations.service import Service
from service.store import dives, gateways, log, outbox
from service.store.dives import UnreadableDive
from service.store.gateways import GatewayState
from service.store.outbox import ClaimedMessage

_LOG = logging.getLogger(__name__)

AT_ONCE = 16
LEASE_S = 30.0  # real seconds: longer than a call to a gateway may take (12 s) twice over
ROUNDS_MAX = 2_000
TAKES_FOR_S = 15.0  # real seconds: less than the soft limit of a task that carries
LOOK_AGAIN_S = 0.2  # real seconds: how long a new alarm may wait behind calls that are slow
TOO_LATE = "its dive has moved on"


@dataclass(frozen=True, slots=True)
class _Parcel:
    """A message on its way: the attempt that is open, and the gateway that is to take it."""

    message: ClaimedMessage
    attempt_id: int
    gateway: Gateway
    tried: tuple[str, ...]  # gateways of all attempts, this one last


@dataclass(frozen=True, slots=True)
class _GivenUp:
    """A message whose carrier vanished in mid-attempt, and which is not to be sent again."""

    message: ClaimedMessage
    following: Next


class Courier:
    """Carries for one process. Not to be shared between processes; `close` gives connections back."""

    def __init__(
        self, service: Service, gateways: Sequence[Gateway], monotonic: Callable[[], float] = time.monotonic
    ) -> None:
        if not gateways:
            raise ValueError("a courier needs at least one gateway")
        self._service = service
        self._monotonic = monotonic
        self._gateways = tuple(gateways)
        self._pool = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="courier")
        self._owner = f"{service.process}:{os.getpid()}:{secrets.token_hex(3)}"

    def close(self) -> None:
        """Wait for what is on its way, then release the gateways."""
        self._pool.shutdown(wait=True)
        for gateway in self._gateways:
            gateway.close()

    def carry(self, *, urgent_only: bool = False) -> int:
        """Carry until nothing is waiting, or for 15 s; gives how many attempts were made.

        Then no more is taken: what is on its way is waited for, and the rest stays queued for the next courier.
        Each round claims anew, so that an alarm which was queued meanwhile goes before what is calm, and does not
        wait for a gateway that is slow with the rest.
        """
        kinds: Literal["urgent", "all"] = "urgent" if urgent_only else "all"
        carried = 0
        flying: set[Future[None]] = set()
        until_s = self._monotonic() + TAKES_FOR_S
        for _ in range(ROUNDS_MAX):
            if self._monotonic() >= until_s:
                break
            parcels, given_up = self._claim(kinds, AT_ONCE - len(flying))
            for one in given_up:
                self._give_up(one)
            flying |= {self._pool.submit(self._deliver, parcel) for parcel in parcels}
            carried += len(parcels)
            if not flying and not given_up:
                break
            flying = wait(flying, timeout=LOOK_AGAIN_S).not_done
        wait(flying)
        return carried

    def _claim(self, kinds: Literal["urgent", "all"], limit: int) -> tuple[list[_Parcel], list[_GivenUp]]:
        if limit == 0:
            return [], []
        now = self._service.clock.now()
        lease_s = clock_seconds(self._service.clock, LEASE_S)

        def work(session: Session) -> tuple[list[_Parcel], list[_GivenUp]]:
            claimed = outbox.claim(session, now, limit, self._owner, lease_s, kinds=kinds)
            states = gateways.states(session, [one.name for one in self._gateways]) if claimed else {}
            begun = [self._begin(session, message, states, now) for message in claimed]
            parcels = [one for one in begun if isinstance(one, _Parcel)]
            return parcels, [one for one in begun if isinstance(one, _GivenUp)]

        return self._service.write(work)

    def _begin(
        self, session: Session, message: ClaimedMessage, states: dict[str, GatewayState], now: datetime
    ) -> _Parcel | _GivenUp:
        following = _after_loss(session, message) if message.lost_attempt else Next(Fate.AGAIN)
        if following.fate is Fate.FAILED:
            return _GivenUp(message, following)
        tried = outbox.tried_gateways(session, message.id)
        gateway = self._choose(session, message, tried, states)
        attempt_id = outbox.begin_attempt(session, message.id, gateway.name, self._owner, now)
        return _Parcel(message, attempt_id, gateway, (*tried, gateway.name))

    def _give_up(self, given_up: _GivenUp) -> None:
        message, following, now = given_up.message, given_up.following, self._service.clock.now()

        def work(session: Session) -> None:
            held(session, message.dive_id)
            if outbox.mark_failed(session, message.id, self._owner, following.reason or "failed", now):
                actor = {"role": "clock", "name": "the service", "process": self._service.process}
                self._log(session, message, "given_up", actor, {"why": following.reason}, now)
                self._note_unreachable(session, message, following, now)

        self._service.write(work)

    def _choose(
        self, session: Session, message: ClaimedMessage, tried: Sequence[str], states: dict[str, GatewayState]
    ) -> Gateway:
        """By preference, but not the one that just failed, nor one that is being rested, while there is another."""
        last = tried[-1] if tried else None
        names = [gateway.name for gateway in self._gateways]
        others = [name for name in names if name != last] or names
        name = pick(self._service, session, states, others, urgent=MessageKind(message.priority) in URGENT)
        return next(gateway for gateway in self._gateways if gateway.name == name)

    def _deliver(self, parcel: _Parcel) -> None:
        message = parcel.message
        try:
            outcome = parcel.gateway.send(_outgoing(message))
        except Exception as error:  # noqa: BLE001 - a gateway whose code breaks is a gateway that fails
            # It may have sent before it broke.
            _LOG.exception("gateway_raised", extra={"gateway": parcel.gateway.name, "message_id": message.id})
            outcome = Unknown(f"the gateway's code raised {type(error).__name__}")
        try:
            now = self._service.clock.now()
            self._service.write(lambda session: self._record(session, parcel, outcome, now))
        except Exception:  # noqa: BLE001 - whatever it is, the others' records must not be lost with this one
            # The lease runs out and the message is taken up again: twice rather than never.
            _LOG.exception("attempt_not_recorded", extra={"message_id": message.id})

    def _record(self, session: Session, parcel: _Parcel, outcome: Outcome, now: datetime) -> None:
        message, gateway = parcel.message, parcel.gateway
        dive = held(session, message.dive_id)
        word, code, detail, provider_id = _facts(outcome)
        outbox.finish_attempt(session, parcel.attempt_id, word, code, detail, provider_id, now)
        following = self._following(session, parcel, outcome)
        if following.fate is Fate.AGAIN and is_superseded(dive, MessageKind(message.priority)):
            following = Next(Fate.FAILED, reason=TOO_LATE)
        ours = self._settle(session, parcel, following, provider_id, now)
        self._log_attempt(session, parcel, word, code or detail, following, now)
        if ours and following.fate is Fate.HANDED:
            self._handed(session, message, gateway.name, provider_id or "", now)
        if ours:
            self._note_unreachable(session, message, following, now)
        note(self._service, session, gateway.name, outcome, now)

    def _following(self, session: Session, parcel: _Parcel, outcome: Outcome) -> Next:
        attempts = outbox.attempts_of(session, parcel.message.id)
        return after(
            outcome,
            MessageKind(parcel.message.priority),
            tries=len(attempts),
            unknowns=sum(attempt.outcome == "unknown" for attempt in attempts),
            other_gateway=len({*parcel.tried}) < len(self._gateways),
        )

    def _settle(
        self, session: Session, parcel: _Parcel, following: Next, provider_id: str | None, now: datetime
    ) -> bool:
        """Write the fate; False when another courier has the message by now."""
        message, owner = parcel.message, self._owner
        if following.fate is Fate.HANDED:
            ours = outbox.mark_handed(session, message.id, owner, parcel.gateway.name, provider_id or "", now)
            if ours and not parcel.gateway.sends_receipts:
                outbox.note_receipt_checked(session, message.id)
            return ours
        if following.fate is Fate.FAILED:
            return outbox.mark_failed(session, message.id, owner, following.reason or "failed", now)
        wait_for = timedelta(seconds=clock_seconds(self._service.clock, following.wait.total_seconds()))
        return outbox.release(session, message.id, owner, now + wait_for)

    def _handed(self, session: Session, message: ClaimedMessage, gateway: str, provider_id: str, now: datetime) -> None:
        if message.dive_id is not None:
            learn(
                self._service,
                session,
                message.dive_id,
                NoteHanded(message.step, message.person_key, Channel(message.channel)),
                now,
            )
        apply_waiting(self._service, session, message, gateway, provider_id, now)

    def _note_unreachable(self, session: Session, message: ClaimedMessage, following: Next, now: datetime) -> None:
        if following.unreachable and message.dive_id is not None:
            unreachable = NoteUnreachable(message.person_key, following.unreachable)
            learn(self._service, session, message.dive_id, unreachable, now)

    def _log_attempt(
        self, session: Session, parcel: _Parcel, word: str, why: str | None, following: Next, now: datetime
    ) -> None:
        actor = {"role": "gateway", "name": parcel.gateway.name, "process": self._service.process}
        detail = {"carried_by": self._service.process, "then": str(following.fate), "why": why}
        self._log(session, parcel.message, f"attempt:{word}", actor, detail, now)

    def _log(
        self,
        session: Session,
        message: ClaimedMessage,
        kind: str,
        actor: dict[str, Any],
        detail: dict[str, Any],
        now: datetime,
    ) -> None:
        log.append(
            session,
            chain=log.dive_chain(message.dive_id) if message.dive_id else log.club_chain(message.club_id),
            at=now,
            kind=kind,
            actor=actor,
            detail={"message": message.id, "step": message.step, "person": message.person_key, **detail},
            dive_id=message.dive_id,
            club_id=message.club_id,
        )


def _outgoing(message: ClaimedMessage) -> Outgoing:
    return Outgoing(
        to=message.email or message.phone,
        body=message.body,
        reference=message.id,
        channel=Channel(message.channel),
        subject=message.subject,
        thread=message.dive_id,
        language=message.language,
    )


def _after_loss(session: Session, message: ClaimedMessage) -> Next:
    """What follows from an attempt that nobody finished, with the dive as it is by now."""
    kind = MessageKind(message.priority)
    try:
        dive = dives.get(session, message.dive_id) if message.dive_id else None
    except UnreadableDive:
        dive = None
    if is_superseded(dive, kind):
        return Next(Fate.FAILED, reason=TOO_LATE)
    attempts = outbox.attempts_of(session, message.id)
    return after_lost(kind, sum(attempt.outcome == "unknown" for attempt in attempts))


def _facts(outcome: Outcome) -> tuple[Literal["accepted", "refused", "unknown"], str | None, str | None, str | None]:
    if isinstance(outcome, Accepted):
        return "accepted", None, None, outcome.provider_id
    if isinstance(outcome, Refused):
        return "refused", outcome.code, outcome.detail, None
    assert isinstance(outcome, Unknown)  # noqa: S101 - narrows the last of three for mypy
    return "unknown", None, outcome.detail, None
