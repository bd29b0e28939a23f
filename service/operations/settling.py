"""What becomes of an attempt, written down: the attempt, its message, the log, and what the dive learns from it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import Any, Final, Literal

from sqlalchemy.orm import Session

from service.clock import clock_seconds
from service.domain.dive import Dive
from service.domain.dive.commands import NoteHanded, NoteUnreachable
from service.domain.people import Channel
from service.domain.wording import MessageKind
from service.operations.breaking import note
from service.operations.budgeting import room_for
from service.operations.claiming import TOO_LATE, Claims
from service.operations.gateway import Accepted, Blame, Found, Lookup, NotFound, Outcome, Refused, Unknown
from service.operations.overtaken import follow
from service.operations.overtaken_answers import is_of_before
from service.operations.parcels import InDoubt, Kept, Parcel
from service.operations.proof_of_reach import note_opted_out
from service.operations.receipts import apply_kept, apply_waiting
from service.operations.recording import held, is_superseded, learn
from service.operations.retrying import Fate, Next, Tried, after
from service.operations.service import Service
from service.store import log, outbox
from service.store.outbox import ClaimedMessage, Message

ATTEMPT_PREFIX: Final = "attempt:"
Word = Literal["accepted", "refused", "unknown"]


@dataclass(frozen=True, slots=True)
class Heard:
    """What came of a call; `lookup` is what the gateway said when it was asked about an unknown outcome."""

    outcome: Outcome
    lookup: Lookup | None = None


@dataclass(frozen=True, slots=True)
class _Facts:
    """An outcome as it is written down."""

    word: Word
    code: str | None
    detail: str | None
    provider_id: str | None


class Settling:
    """Writes for one courier, `owner`; whoever slept past the lease has no more to say about the message."""

    def __init__(self, service: Service, claims: Claims, owner: str) -> None:
        self._service = service
        self._claims = claims
        self._owner = owner

    def record(self, parcel: Parcel, heard: Heard) -> None:
        """Record how an attempt ended, and what follows."""
        now = self._service.clock.now()
        self._service.write(lambda session: self._record(session, parcel, heard, now))

    def adopt(self, doubt: InDoubt | Parcel, provider_id: str) -> bool:
        """The gateway says that it took the message in an attempt whose outcome was unknown.

        False where it named what it took in another attempt: that is no answer, and nothing is written.
        """
        now = self._service.clock.now()
        return self._service.write(lambda session: self._adopt(session, doubt, provider_id, now))

    def keep(self, kept: Kept) -> None:
        """A message is not sent: left with the gateway that has it, or given up, loudly."""
        now = self._service.clock.now()
        self._service.write(lambda session: self._keep(session, kept, now))

    def _record(self, session: Session, parcel: Parcel, heard: Heard, now: datetime) -> None:
        message = parcel.message
        dive = held(session, message.dive_id)
        facts = _facts(heard := _believed(session, parcel, heard))
        outbox.finish_attempt(session, parcel.attempt_id, facts.word, facts.code, facts.detail, facts.provider_id, now)
        following = self._following(session, parcel, heard, dive, now)
        ours = self._settle(session, parcel, following, facts.provider_id, now)
        self._log_attempt(session, parcel, facts, following, now)
        if ours and following.fate is Fate.HANDED:
            self._handed(session, message, parcel.gateway.name, facts.provider_id or "", now)
        elif facts.provider_id is not None:
            # Another courier has the message by now, and whoever has the phone may have had it long ago.
            apply_waiting(self._service, session, message, parcel.gateway.name, facts.provider_id, now)
        elif ours and following.fate is Fate.FAILED and message.handed_gateway is not None:
            apply_kept(self._service, session, message.id, now)
        if ours:
            self._note_unreachable(session, message, following, now)
        if facts.word != "refused":
            follow(self._service, session, message, dive, now)
        if _is_opt_out(message, heard.outcome):
            note_opted_out(session, message, parcel.gateway.name, now)
        # A line that was cut is the gateway's fault, also where it turned out to have the message.
        note(self._service, session, parcel.gateway.name, heard.outcome, now)

    def _following(self, session: Session, parcel: Parcel, heard: Heard, dive: Dive | None, now: datetime) -> Next:
        message = parcel.message
        kind = MessageKind(message.priority)
        attempts = outbox.attempts_of(session, message.id)
        tried = Tried(
            tries=len(attempts),
            doubts=sum(attempt.outcome == "unknown" for attempt in attempts),
            other_gateway=self._claims.other_way(message, parcel.tried),
            among_others=self._claims.other_way(message, [parcel.gateway.name]),
        )
        second = timedelta(seconds=clock_seconds(self._service.clock, 1.0))
        room = room_for(message, dive, now, second, self._service.channels)
        if isinstance(heard.lookup, Found):
            return Next(Fate.HANDED)
        following = after(heard.outcome, kind, tried, room, not_there=isinstance(heard.lookup, NotFound))
        moved_on = is_superseded(dive, message) or is_of_before(dive, message)
        if following.fate is Fate.AGAIN and moved_on:
            return Next(Fate.FAILED, reason=TOO_LATE)
        return following

    def _settle(
        self, session: Session, parcel: Parcel, following: Next, provider_id: str | None, now: datetime
    ) -> bool:
        """Write the fate; False when another courier, or a later attempt, has the message by now."""
        message, owner = parcel.message, self._owner
        if following.fate is Fate.HANDED:
            ours = outbox.mark_handed(session, message.id, owner, parcel.gateway.name, provider_id or "", now)
            if ours and not parcel.gateway.sends_receipts:
                outbox.note_receipt_checked(session, message.id)
            return ours
        if outbox.attempts_of(session, message.id)[-1].id != parcel.attempt_id:
            # This courier itself took the message up again when its lease was over: that attempt says what follows.
            return False
        if following.fate is Fate.FAILED:
            if message.handed_gateway is not None:
                return outbox.leave_handed(session, message.id, owner)
            return outbox.mark_failed(session, message.id, owner, following.reason or "failed", now)
        wait = timedelta(seconds=clock_seconds(self._service.clock, following.wait.total_seconds()))
        return outbox.release(session, message.id, owner, now + wait)

    def _adopt(self, session: Session, doubt: InDoubt | Parcel, provider_id: str, now: datetime) -> bool:
        message, gateway = doubt.message, doubt.gateway
        dive = held(session, message.dive_id)
        if _is_of_another(session, doubt, provider_id):
            return False
        facts = _Facts("accepted", None, "the gateway was asked, and has it", provider_id)
        outbox.finish_attempt(session, doubt.attempt_id, facts.word, None, facts.detail, provider_id, now)
        ours = outbox.mark_handed(session, message.id, self._owner, gateway.name, provider_id, now) or outbox.adopt(
            session, message.id, gateway.name, provider_id, now
        )
        if ours and not gateway.sends_receipts:
            outbox.note_receipt_checked(session, message.id)
        self._log_attempt(session, doubt, facts, Next(Fate.HANDED), now)
        if ours:
            self._handed(session, message, gateway.name, provider_id, now)
            # While it was asked, its carrier may have written it down after all, and a receipt that it failed.
            apply_kept(self._service, session, message.id, now)
        else:
            apply_waiting(self._service, session, message, gateway.name, provider_id, now)
        follow(self._service, session, message, dive, now)
        return True

    def _keep(self, session: Session, kept: Kept, now: datetime) -> None:
        message, following = kept.message, kept.following
        dive = held(session, message.dive_id)
        if following.fate is Fate.HANDED:
            if outbox.leave_handed(session, message.id, self._owner):
                apply_kept(self._service, session, message.id, now)
            return
        if outbox.mark_failed(session, message.id, self._owner, following.reason or "failed", now):
            actor = {"role": "clock", "name": "the service", "process": self._service.process}
            self._log(session, message, "given_up", actor, {"why": following.reason}, now)
            self._note_unreachable(session, message, following, now)
            if message.attempts:  # a gateway may have taken it before its carrier vanished, or even after
                follow(self._service, session, message, dive, now)

    def _handed(self, session: Session, message: Message, gateway: str, provider_id: str, now: datetime) -> None:
        if message.dive_id is not None:
            handed = NoteHanded(message.step, message.person_key, Channel(message.channel))
            learn(self._service, session, message.dive_id, handed, now)
        apply_waiting(self._service, session, message, gateway, provider_id, now)

    def _note_unreachable(self, session: Session, message: ClaimedMessage, following: Next, now: datetime) -> None:
        if following.unreachable and message.dive_id is not None:
            unreachable = NoteUnreachable(message.person_key, following.unreachable, Channel(message.channel))
            learn(self._service, session, message.dive_id, unreachable, now)

    def _log_attempt(
        self, session: Session, at: Parcel | InDoubt, facts: _Facts, following: Next, now: datetime
    ) -> None:
        actor = attempt_actor(self._service, at.gateway.name)
        detail = attempt_detail(self._service, following.fate, facts.code or facts.detail)
        self._log(session, at.message, f"{ATTEMPT_PREFIX}{facts.word}", actor, detail, now)

    def _log(
        self,
        session: Session,
        message: Message,
        kind: str,
        actor: dict[str, Any],
        detail: dict[str, Any],
        now: datetime,
    ) -> None:
        log.append(
            session,
            chain=log.chain_of(message.dive_id, message.club_id),
            at=now,
            kind=kind,
            actor=actor,
            detail=about(message) | detail,
            dive_id=message.dive_id,
            club_id=message.club_id,
        )


def attempt_actor(service: Service, gateway: str) -> dict[str, Any]:
    """Who is named in the entry of an attempt: its gateway, and which of our processes heard it."""
    return {"role": "gateway", "name": gateway, "process": service.process}


def attempt_detail(service: Service, then: Fate, why: str | None) -> dict[str, Any]:
    """What the entry of an attempt says of it."""
    return {"carried_by": service.process, "then": str(then), "why": why}


def about(message: Message) -> dict[str, Any]:
    """What every entry about a message says of it."""
    return {"message": message.id, "step": message.step, "person": message.person_key}


def _is_opt_out(message: Message, outcome: Outcome) -> bool:
    """Whether the gateway refused a text because whoever it is for has told it to let none through."""
    refused = isinstance(outcome, Refused) and outcome.blame is Blame.OPTED_OUT
    return refused and message.channel == Channel.TEXT


def _believed(session: Session, parcel: Parcel, heard: Heard) -> Heard:
    """What was heard, where a gateway that was asked named this attempt's message; else it does not have it."""
    lookup = heard.lookup
    if isinstance(lookup, Found) and _is_of_another(session, parcel, lookup.provider_id):
        return replace(heard, lookup=NotFound())
    return heard


def _is_of_another(session: Session, about: InDoubt | Parcel, provider_id: str) -> bool:
    """Whether the gateway's id is that of another attempt: at this message, or at another one in the same words.

    By words and number gateways know what they have taken. Of two that were lost in the same words an id is one's, or
    the other would never go.
    """
    return outbox.is_taken(session, about.gateway.name, provider_id, about.attempt_id)


def _facts(heard: Heard) -> _Facts:
    outcome, lookup = heard.outcome, heard.lookup
    if isinstance(outcome, Accepted):
        return _Facts("accepted", None, None, outcome.provider_id)
    if isinstance(outcome, Refused):
        return _Facts("refused", outcome.code, outcome.detail, None)
    assert isinstance(outcome, Unknown)  # noqa: S101 - narrows the last of three for mypy
    if isinstance(lookup, Found):
        return _Facts("accepted", None, f"{outcome.detail}; the gateway was asked, and has it", lookup.provider_id)
    if isinstance(lookup, NotFound):
        return _Facts("unknown", None, f"{outcome.detail}; the gateway was asked, and does not have it", None)
    return _Facts("unknown", None, outcome.detail, None)
