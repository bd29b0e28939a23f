"""The courier: carries queued messages to gateways, the most urgent first, many at once.

Its attempt is committed before the call and its outcome after, and no transaction is open during the call.
"""

from __future__ import annotations

import logging
import os
import secrets
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Literal

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.dive.commands import NoteHanded, NoteUnreachable
from service.domain.wording import MessageKind
from service.operations.gateway import Accepted, Gateway, Outcome, OutgoingText, Refused, Unknown
from service.operations.receipts import apply_waiting
from service.operations.recording import apply
from service.operations.resting import Rests
from service.operations.retrying import Fate, Next, after
from service.operations.service import Service
from service.store import log, outbox
from service.store.outbox import ClaimedMessage

_LOG = logging.getLogger(__name__)

AT_ONCE = 16
LEASE_S = 30.0  # real seconds: longer than a call to a gateway may take (12 s) twice over
ROUNDS_MAX = 2_000


@dataclass(frozen=True, slots=True)
class _Parcel:
    """A message on its way: the attempt that is open, and the gateway that is to take it."""

    message: ClaimedMessage
    attempt_id: int
    gateway: Gateway
    tried: tuple[str, ...]  # gateways of all attempts, this one last


class Courier:
    """Carries for one process. Not to be shared between processes; `close` gives connections back."""

    def __init__(self, service: Service, gateways: Sequence[Gateway]) -> None:
        if not gateways:
            raise ValueError("a courier needs at least one gateway")
        self._service = service
        self._gateways = tuple(gateways)
        self._rests = Rests()
        self._pool = ThreadPoolExecutor(max_workers=AT_ONCE, thread_name_prefix="courier")
        self._owner = f"{service.process}:{os.getpid()}:{secrets.token_hex(3)}"

    def close(self) -> None:
        """Wait for what is on its way, then release the gateways."""
        self._pool.shutdown(wait=True)
        for gateway in self._gateways:
            gateway.close()

    def carry(self, *, urgent_only: bool = False) -> int:
        """Carry until nothing is waiting; gives how many attempts were made.

        Each round claims anew, so that an alarm which was queued meanwhile goes before what is calm.
        """
        kinds: Literal["urgent", "all"] = "urgent" if urgent_only else "all"
        carried = 0
        for _ in range(ROUNDS_MAX):
            parcels = self._claim(kinds)
            if not parcels:
                break
            list(self._pool.map(self._deliver, parcels))
            carried += len(parcels)
        return carried

    def _claim(self, kinds: Literal["urgent", "all"]) -> list[_Parcel]:
        now = self._service.clock.now()
        lease_s = clock_seconds(self._service.clock, LEASE_S)

        def work(session: Session) -> list[_Parcel]:
            claimed = outbox.claim(session, now, AT_ONCE, self._owner, lease_s, kinds=kinds)
            return [self._begin(session, message, now) for message in claimed]

        return self._service.write(work)

    def _begin(self, session: Session, message: ClaimedMessage, now: datetime) -> _Parcel:
        tried = outbox.tried_gateways(session, message.id)
        gateway = self._choose(tried)
        attempt_id = outbox.begin_attempt(session, message.id, gateway.name, self._owner, now)
        return _Parcel(message, attempt_id, gateway, (*tried, gateway.name))

    def _choose(self, tried: Sequence[str]) -> Gateway:
        """By preference, but not the one that just failed, nor one that is being rested, while there is another."""
        last = tried[-1] if tried else None
        others = [gateway for gateway in self._gateways if gateway.name != last]
        awake = [gateway for gateway in others if not self._rests.resting(gateway.name)]
        return (awake or others or list(self._gateways))[0]

    def _deliver(self, parcel: _Parcel) -> None:
        message = parcel.message
        outcome = parcel.gateway.send(OutgoingText(message.phone, message.body, message.id))
        self._rests.note(parcel.gateway.name, outcome)
        try:
            now = self._service.clock.now()
            self._service.write(lambda session: self._record(session, parcel, outcome, now))
        except Exception:
            # The lease runs out and the message is taken up again: twice rather than never.
            _LOG.exception("attempt_not_recorded", extra={"message_id": message.id})

    def _record(self, session: Session, parcel: _Parcel, outcome: Outcome, now: datetime) -> None:
        message, gateway = parcel.message, parcel.gateway
        word, code, detail, provider_id = _facts(outcome)
        outbox.finish_attempt(session, parcel.attempt_id, word, code, detail, provider_id, now)
        following = self._following(session, parcel, outcome)
        held = self._settle(session, parcel, following, provider_id, now)
        self._log_attempt(session, parcel, word, code or detail, following, now)
        if not held:
            return
        if following.fate is Fate.HANDED:
            self._handed(session, message, gateway.name, provider_id or "", now)
        elif following.unreachable and message.dive_id is not None:
            unreachable = NoteUnreachable(message.person_key, following.unreachable)
            apply(self._service, session, message.dive_id, unreachable, now)

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
            held = outbox.mark_handed(session, message.id, owner, parcel.gateway.name, provider_id or "", now)
            if held and not parcel.gateway.sends_receipts:
                outbox.note_receipt_checked(session, message.id)
            return held
        if following.fate is Fate.FAILED:
            return outbox.mark_failed(session, message.id, owner, following.reason or "failed", now)
        wait = timedelta(seconds=clock_seconds(self._service.clock, following.wait.total_seconds()))
        return outbox.release(session, message.id, owner, now + wait)

    def _handed(self, session: Session, message: ClaimedMessage, gateway: str, provider_id: str, now: datetime) -> None:
        apply_waiting(self._service, session, message, gateway, provider_id, now)
        if message.dive_id is not None:
            apply(self._service, session, message.dive_id, NoteHanded(message.step, message.person_key), now)

    def _log_attempt(
        self, session: Session, parcel: _Parcel, word: str, why: str | None, following: Next, now: datetime
    ) -> None:
        message = parcel.message
        chain = log.dive_chain(message.dive_id) if message.dive_id else log.club_chain(message.club_id)
        log.append(
            session,
            chain=chain,
            at=now,
            kind=f"attempt:{word}",
            actor={"role": "gateway", "name": parcel.gateway.name, "process": self._service.process},
            detail={
                "message": message.id,
                "step": message.step,
                "person": message.person_key,
                "carried_by": self._service.process,
                "then": str(following.fate),
                "why": why,
            },
            dive_id=message.dive_id,
            club_id=message.club_id,
        )


def _facts(outcome: Outcome) -> tuple[Literal["accepted", "refused", "unknown"], str | None, str | None, str | None]:
    if isinstance(outcome, Accepted):
        return "accepted", None, None, outcome.provider_id
    if isinstance(outcome, Refused):
        return "refused", outcome.code, outcome.detail, None
    assert isinstance(outcome, Unknown)  # noqa: S101 - narrows the last of three for mypy
    return "unknown", None, outcome.detail, None


